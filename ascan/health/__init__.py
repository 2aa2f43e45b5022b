"""Self-checks, one file each: every one sets one flag and says when."""
