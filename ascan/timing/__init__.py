"""Timing methods: one file each, under one protocol; `register` takes a user's own."""

from ascan.timing.protocol import EchoRows, TimingMethod, register

__all__ = ["EchoRows", "TimingMethod", "register"]
