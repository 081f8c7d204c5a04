"""MicroPython: a module that allocates nothing, and one on built-ins alone."""
