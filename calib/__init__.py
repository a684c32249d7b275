"""Pixels to rays: the photo, the target in it, the lens, the view. No turned pieces here."""
