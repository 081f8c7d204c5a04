"""Ways to write the primitives of a layout, one file each."""
