"""What will be ready and when, at a stated confidence: learned from the nursery's own past, published, scored later.

Pure: numpy and scipy, no database, no clock. The way through: `learning.fit` turns past stays into what is believed of
every crop, `supply.forecast` turns the beliefs and what stands now into a `plants.forecasts.Published`, `calibration`
scores it.
"""
