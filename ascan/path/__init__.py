"""Sound paths: what a time means as a thickness, one file per kind of path."""
