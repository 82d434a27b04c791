"""`/livez` and `/readyz`."""
