"""The science: mass balance, estimator, events, forecast. Pure: no clock, file or socket."""
