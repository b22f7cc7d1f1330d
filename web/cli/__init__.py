"""The command ``shimwright``."""
