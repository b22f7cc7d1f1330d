"""A simulated bench: an arbor swung by hand over a face, seen by an indicator.

All scenarios are invented.  What it makes is written to a real pseudo-terminal, so the real serial source reads it.
"""
