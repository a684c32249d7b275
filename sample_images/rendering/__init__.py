"""A physically based renderer of phone photos of turned work, with exact truth.

World frame: z up, the bench at z = 0, millimetres. Piece frame: axis +z, end A at z = 0. Camera as
in OpenCV: X_cam = R X_world + t, pixels (x, y) with pixel centres at integers, Brown distortion.
Nothing here is shared with the code that measures, so that an error cannot cancel itself.
"""
