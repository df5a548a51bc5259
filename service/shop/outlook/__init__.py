"""The probabilistic course of a place's air over the next 48 h, from its own history.

Pure functions of numpy arrays; may be imported by every room above ``shop``, imports ``science``.
"""
