"""Signals, receivers and scores written apart from ``dsp``, so that one can be checked against the other."""
