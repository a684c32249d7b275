"""Pixels to rays: the photo, the target in it, the lens, the view. No turned pieces here."""

import os

# Matrices here are small: a second thread takes longer to wake than it saves, and spins until it
# is wanted again. Only asked for where nobody has said how many; heeded when numpy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
