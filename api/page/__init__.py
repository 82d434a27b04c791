"""`/`, `/docs` and `/problems/{slug}`: what a person opens in a browser. Nothing is fetched from elsewhere."""
