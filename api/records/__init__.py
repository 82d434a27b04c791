"""`/v1/records`: shots that were really fired, what was measured of them, and their traces."""
