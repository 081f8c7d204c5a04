"""Studies of a link and its recordings: what was sent, what could be sent instead, what would change."""
