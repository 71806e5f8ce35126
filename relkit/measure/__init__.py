"""Samples in, numbers out; opens nothing.

The meters are rows of small matrix products, for which BLAS starts no threads of its own: a caller
may run several meters side by side. Where a program has larger products too,
``OPENBLAS_NUM_THREADS=1`` has to be in its environment before numpy is imported.
"""
