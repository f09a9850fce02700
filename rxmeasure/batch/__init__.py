"""Many films in one run: resumable, in several processes or on a cluster."""

from rxmeasure.batch.films import Film, films_of_folder, films_of_table
from rxmeasure.batch.measuring import BatchSettings
from rxmeasure.batch.run import Counts, run_batch
from rxmeasure.batch.stored_films import films_of_store

__all__ = [
    "BatchSettings",
    "Counts",
    "Film",
    "films_of_folder",
    "films_of_store",
    "films_of_table",
    "run_batch",
]
