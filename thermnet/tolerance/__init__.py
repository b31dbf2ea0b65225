"""Every unit off the line: distributions as data, samples from them, and what a factory calls capability."""
