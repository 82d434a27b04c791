"""The HTTP service. One folder a resource; endpoints parse and answer, `worker` and `physics` decide."""
