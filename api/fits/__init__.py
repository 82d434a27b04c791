"""`/v1/fits`: what the records of a bench say about it, as a job that makes the bench's next revision."""
