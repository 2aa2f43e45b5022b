"""What speaks against a reading: one file a check."""
