"""A virtual bench: a simulated oven, a simulated customer and a simulated technician.

It judges the service's diagnoses, so nothing here reads the service's probability tables: what an
oven does comes out of its electric circuit.
"""
