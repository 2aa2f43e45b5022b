"""One file per command; `ascan.commands.cli` only joins them."""
