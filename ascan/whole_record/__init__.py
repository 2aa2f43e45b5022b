"""One model of every echo in a record: learned in calibration, fitted to each waveform."""
