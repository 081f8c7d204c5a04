"""The API reference: one page for each room, made from signatures and docstrings."""
