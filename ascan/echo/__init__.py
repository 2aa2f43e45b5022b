"""What one gate gives: place it, find the echo, time it, look at its shape."""
