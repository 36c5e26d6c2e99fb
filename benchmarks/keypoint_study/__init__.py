"""How the body keypoint detector errs, measured on rendered athletes whose joints are known.

python -m benchmarks.keypoint_study render|detect|estimate --work FOLDER …; the estimate is the data file that
recon.detector reads.
"""
