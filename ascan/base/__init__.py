"""What everything speaks: errors, units, flags, tables of a file as dataclasses."""
