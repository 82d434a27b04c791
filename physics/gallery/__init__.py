"""Pictures of a shot: what `python -m physics gallery` draws."""
