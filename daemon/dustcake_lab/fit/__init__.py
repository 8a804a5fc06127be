"""A collector estimated from a trace: how fast it loads, what no pulse takes off, what one does.

``trace.fit_trace`` does all of it: it gathers the samples (``data``), boils them down to means
between pulses (``bins``), seeks the likeliest parameters and their covariance by an extended Kalman
filter that follows the rows (``estimate``), then how the residual dP rose (``ageing``).
``collector.FittedCollector`` is the result. What a trace cannot say is refused as
``data.TooThinError``.
"""
