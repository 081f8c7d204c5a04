"""Messages: field kinds, layouts, and the ways to write them."""
