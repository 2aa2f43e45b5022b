"""Learners: from step readings to a calibration, one file a kind of reader."""
