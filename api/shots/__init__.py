"""`/v1/shots`: one forward run, answered at once."""
