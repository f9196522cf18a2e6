"""Landmarks and measures, with their uncertainties."""
