"""A folder of review files as a source of audit rows."""

from __future__ import annotations

from collections.abc import Iterator, Set
from dataclasses import dataclass
from pathlib import Path

from rxmeasure.audit.dates import iso_date
from rxmeasure.audit.judging import kept_verdict
from rxmeasure.audit.rows import AuditRow, AuditSource, RefusedRecord
from rxmeasure.criteria.rules import RuleSet
from rxmeasure.errors import AuditError, RxMeasureError
from rxmeasure.record.review_file import SUFFIX, load_review
from rxmeasure.review import Review


@dataclass(frozen=True, slots=True)
class ReviewFolder(AuditSource):
    """All review files of a folder and of the folders in it."""

    folder: Path

    @property
    def name(self) -> str:
        """Name of the folder."""
        return self.folder.resolve().name

    def rows(self, rule_set: RuleSet, measures: Set[str]) -> Iterator[AuditRow | RefusedRecord]:
        """Read the files in the order of their names.

        Raises
        ------
        AuditError
            There is no review file.
        """
        files = sorted(self.folder.rglob("*" + SUFFIX))
        if not files:
            raise AuditError(
                found=f"no review file in {self.name}.",
                needed=f"files that end in {SUFFIX}.",
                next_step="Review the films first, or name the folder that holds the reviews.",
            )
        for path in files:
            try:
                review = load_review(path)
            except RxMeasureError as error:
                yield RefusedRecord(name=str(path.relative_to(self.folder)), found=error.found)
            else:
                yield from review_rows(review, rule_set, measures)


def review_rows(review: Review, rule_set: RuleSet, measures: Set[str]) -> Iterator[AuditRow]:
    """The rows of one review."""
    marks = review.marks
    confirmed = {canal.name: canal.confirmed for canal in marks.canals}
    for canal in review.canals:
        own = [
            v
            for v in review.verdicts
            if v.canal == canal.name
            and (v.rule_id, v.rule_version) == (rule_set.id, rule_set.version)
        ]
        yield AuditRow(
            patient=marks.patient_pseudonym.strip(),
            tooth=marks.tooth.strip(),
            canal=canal.name,
            film=review.image.file_name,
            film_kind=marks.film_kind,
            taken=iso_date(marks.visit),
            reader=marks.reader.strip(),
            confirmed=confirmed.get(canal.name, False),
            calibrated=review.calibration is not None,
            verdict=kept_verdict(own) if own else None,
            fields=tuple((v.field, v.outcome) for v in own),
            measures=tuple(m for m in canal.measures if m.name in measures),
        )
