"""Known steps and what they taught, as data only."""
