"""Samples in, numbers out; opens nothing."""
