"""Agreement between raters, and between readings of one rater: numbers only, no images."""
