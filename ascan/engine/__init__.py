"""The block loop, and what turns echoes into readings."""
