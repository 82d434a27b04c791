"""`/v1/benches`: benches by name, with every revision of their description."""
