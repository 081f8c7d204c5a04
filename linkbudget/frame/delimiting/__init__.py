"""Ways to tell where a frame ends, one file each."""
