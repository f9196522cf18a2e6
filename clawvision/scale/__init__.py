"""From a photo to millimetres: reference, camera, pose, measuring plane."""
