"""What a reading's uncertainty is made of, and what is decided with it."""
