"""Capture files and ports."""
