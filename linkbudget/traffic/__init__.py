"""What was seen on the wire, as pure data and transformations."""
