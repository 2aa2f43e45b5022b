"""A surface from its readings: cells, figures, joins, changes, named spots."""
