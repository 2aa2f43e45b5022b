"""Which echo, and which of its half-cycles."""
