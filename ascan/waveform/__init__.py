"""A record and its repair: stored codes, filter, baseline, noise, what an echo looks like."""
