"""A test rig: virtual links that behave like real ones, over pyserial, on a virtual or the real clock."""
