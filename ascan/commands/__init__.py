"""One file per command; `ascan.cli` only joins them."""
