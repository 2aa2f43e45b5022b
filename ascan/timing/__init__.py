"""Timing methods: one file each, under one protocol; `register` takes a user's own."""

from ascan.timing.protocol import EchoRows, TimingMethod, Traits, register
from ascan.timing.rows import Picks

__all__ = ["EchoRows", "Picks", "TimingMethod", "Traits", "register"]
