"""thermnet: how much power may a notebook computer draw, and for how long."""

__version__ = "0.1.0"
