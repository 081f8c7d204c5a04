"""The description of a link, and its file."""
