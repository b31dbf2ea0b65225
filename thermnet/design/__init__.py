"""Design files in and out, and the design that becomes a network."""
