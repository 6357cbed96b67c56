"""Taking readings in and keeping them: listener, decoding, quality, units register, stores, log import.

Imports nothing of the other folders. Start at `reading.py` (the shape everything shares), then
`payload.py` (bytes to readings) and `listener.py` (broker to store).
"""
