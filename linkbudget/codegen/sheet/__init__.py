"""The interface written down for other people, as a page of Markdown."""
