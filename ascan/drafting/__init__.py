"""A procedure from step records: what they show, what may be written, what it reaches."""
