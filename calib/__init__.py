"""Pixels to rays: the photo, the target in it, the lens, the view. Knows nothing of turned pieces."""
