"""The sets of byte strings that encodings can write, as graphs, one file for each kind of encoding."""
