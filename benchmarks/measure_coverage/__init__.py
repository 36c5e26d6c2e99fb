"""Whether every measure's interval holds its truth, on seeded variations of rendered serves.

python -m benchmarks.measure_coverage render|measure|again|judge --work FOLDER …; docs/evidence/measures.md.
"""
