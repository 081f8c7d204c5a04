"""Python that CPython and MicroPython both run: what the targets ``cpython`` and ``micropython`` share."""
