"""What the readings mean: sweeps, depth, uncertainty, play and shims.

Everything here is pure: no file, socket, clock or hidden randomness.  The same
objects serve a live capture, a replay and a batch.
"""
