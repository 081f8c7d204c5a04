"""Frames: delimiting, check and limits; the incremental deframer."""
