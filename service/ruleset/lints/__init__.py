"""What is wrong with a rule set that builds, by theme. Each lint has its code in `codes.py`."""
