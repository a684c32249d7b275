"""Rays to diameters of turned work, and what a turner does with them."""
