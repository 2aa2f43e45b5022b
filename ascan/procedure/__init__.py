"""The written procedure, read strictly."""
