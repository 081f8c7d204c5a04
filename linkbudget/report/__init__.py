"""Results for people: terminal text and JSON from the same objects."""
