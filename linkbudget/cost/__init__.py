"""What receiving costs: fitted from samples, measured on this host, or read off a controller's markers."""
