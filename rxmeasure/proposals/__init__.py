"""Filled canals, their ends and the apex, proposed with no click or one; a person accepts them."""

from rxmeasure.proposals.answering import free_name, lies_on, with_unconfirmed
from rxmeasure.proposals.propose import propose
from rxmeasure.proposals.results import CanalProposal, Declined, Proposals, to_marks

__all__ = [
    "CanalProposal",
    "Declined",
    "Proposals",
    "free_name",
    "lies_on",
    "propose",
    "to_marks",
    "with_unconfirmed",
]
