"""Figures: one file per standard or family, plain functions of floats and arrays in SI, no data types."""
