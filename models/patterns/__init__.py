"""The patterns: one file each, from a probability at a decision moment to a finding with its evidence.

A pattern file holds its feature names, the memory it keeps between decisions and two pure steps: `judge` (a
row and its probability come in, findings go out) and the words of its evidence. Start reading in
`short_cycling.py`.
"""
