"""`/v1/shot-lists`: up to a thousand shots as one job, given one by one or as a sweep."""
