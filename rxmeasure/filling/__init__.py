"""Measurement of one canal: length, width, taper, density gaps, extrusion, curvature."""
