"""Readers of formats that are written no more."""
