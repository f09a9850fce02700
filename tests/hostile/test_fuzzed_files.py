"""Spoiled pictures and kept files: opened or refused, never anything else."""

from __future__ import annotations

import json
import random
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import bombs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rxmeasure.agreement.ratings_file import read_rating_rows
from rxmeasure.criteria.criterion import load_rule_set
from rxmeasure.errors import RxMeasureError
from rxmeasure.reading.radiograph_file import radiograph_of
from rxmeasure.record.draft import load_draft
from rxmeasure.record.review_file import load_review, read_marks
from rxmeasure.record.series_file import read_series_marks
from rxmeasure.teaching.rubric_file import default_rubric_text, load_rubric
