"""Readings as named columns, what they add up to, and what voids them."""
