"""The examination: simulated trucks and a scorer that share nothing with the product's own plant model.

Nothing here may be used for training, tuning or demonstration. Start with `README.md`.
"""
