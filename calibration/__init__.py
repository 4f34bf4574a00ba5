"""Photo in, scale out: reading photos, reference cards, and the way from pixels to millimetres."""
