"""Check codes: their table and the engines that compute them."""
