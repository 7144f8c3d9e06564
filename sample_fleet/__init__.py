"""A fleet of our own invention, flown by a flight-dynamics library, with planted faults and their truth.

Imports nothing else of the project, so that a mistake cannot hide on both sides.
"""
