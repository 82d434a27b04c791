"""`/v1/designs`: searches, and the candidates they yield."""
