"""Plots and documents handed on."""
