"""Files: scans, calibrations and readings in HDF5, scans in .npz, readings in CSV."""
