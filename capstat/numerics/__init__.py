"""Numerical building blocks.  Nothing in this folder speaks of the field of application."""
