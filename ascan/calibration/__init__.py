"""Calibration: fits of step-block readings, and the record that a measurement is bound to."""
