"""The search: designs run as islands on Celery workers, kept in Redis.

`request` says what is asked, `trial` finds the charge voltage of one coil, `island` spreads trials over the search
space, `front` weighs the outcome, `closing` ends a round, `store` keeps everything, `tasks` and `watchdog` make sure
that each part is run, once.
"""
