"""The physics and the metrology of the readings: pure functions, no rule set, no HTTP."""
