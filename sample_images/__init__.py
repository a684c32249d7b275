"""Rendered sample photos of the harbour café's pepper mills, and the renderer that makes them."""
