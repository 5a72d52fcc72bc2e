"""Published figures that more than one test holds the service to."""

HEATING_TIMES = (
    (70, 600),
    (64, 650),
    (60, 700),
    (56, 750),
    (52, 800),
    (49, 850),
    (47, 900),
    (44, 950),
    (42, 1000),
    (40, 1050),
    (38, 1100),
)
"""One litre raised by 10 K: seconds, to whole ones, and watts. Published heating times."""
