"""Compiled C on an emulated Cortex-M0+: cycles, stack and code bytes, without the board."""
