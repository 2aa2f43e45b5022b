"""Readers: what turns the echoes of a block into intervals, one file a kind."""
