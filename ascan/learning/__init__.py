"""From waveforms of known steps to a calibration."""
