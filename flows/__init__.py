"""What the trade says: stage graphs, protocol numbers, release rules, message texts.

Pure: the standard library only, no input or output, no clock, no random numbers.
"""
