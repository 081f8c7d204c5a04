"""C99: one header and one source file for one direction of a link."""
