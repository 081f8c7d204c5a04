"""Typed Python on the standard library alone."""
