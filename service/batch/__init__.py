"""Many cases at once: read one after another, assessed, compared with what was expected, counted.

No HTTP and no schema here: the edge and the command line hand in how one case is assessed.
"""
