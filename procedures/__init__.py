"""What is done at the bench, in what order, how often: one short function each.

Found by name, never imported; `README.md` says how to write one.
"""
