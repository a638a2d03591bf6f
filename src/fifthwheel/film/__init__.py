"""The film: measured data on the picture, in time to the frame."""
