"""From something of known size to millimetres per pixel, with its uncertainty."""
