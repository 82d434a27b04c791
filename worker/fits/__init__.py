"""What fired shots say about bench and part: a fit of the full model to measured currents and sizes.

:func:`worker.fits.estimate.fit` is the one entry; it needs neither store nor broker.
"""
