"""What every reader of a measurement has to know, and where it comes from."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A citation and whether it was read (at least its abstract) or is from memory."""

    text: str
    status: str


def _read(text: str) -> Source:
    return Source(text=text, status="read")


def _memory(text: str) -> Source:
    return Source(text=text, status="from memory")


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One caution: a short head, the whole of it, and its sources."""

    head: str
    text: str
    sources: tuple[Source, ...] = ()


MARTOS = _read(
    "Martos 2009, anatomic apex to major foramen, 1331 roots, doi:10.1111/j.1365-2591.2008.01513.x"
)
BURCH = _read("Burch and Hulen 1972, foramen and apex, 877 teeth (summary)")
ELAYOUTI = _read("ElAyouti 2001, J Endod, lengths past the foramen, 169 canals (abstract)")
LESION_MISSED = _read(
    "Estrela 2008, J Endod 34:273-279: film found 0.55 of what volume images showed"
)
RECALL_MISSED = _read("van der Borden 2013, doi:10.1016/j.joen.2013.07.001")
REPEATED_FILMS = _read("University abstract on repeated student radiographs, 4786 films")
OVERFILL = _read("Goldberg 2019, doi:10.1111/iej.13209")
DENSITY_VIEW = _memory("Eckerbom and Magnusson 1997, Endod Dent Traumatol 13:259")
GUM = _memory("JCGM 100:2008, Guide to the expression of uncertainty in measurement")
TOOTH_NUMBERS = _memory("ISO 3950, designation of teeth")
SIZES = _memory("ISO 3630-1, sizes, tapers and tolerances of root-canal instruments")
SCHNEIDER = _memory("Schneider 1971, Oral Surg 32:271")
WEINE = _memory("Weine, Endodontic Therapy")
PRUETT = _read("Pruett 1997, J Endod 23(2) (abstract)")
SAFETY = _read("Teaching decks after Ingle and Weine: film length minus a safety distance")

NO_VISIBLE_VOID = Caution(
    head='"No visible void" is not "no void".',
    text="What density shows depends on material, thickness, exposure and software filters. "
    "Thin apical fill and sealer may be there and not be seen.",
)
NO_SHADOW = Caution(
    head="No shadow is not no lesion.",
    text="A smaller or absent shadow on a film may still be a lesion: against volume images, "
    "film misses about a third to a half.",
    sources=(LESION_MISSED, RECALL_MISSED),
)
#: What belongs beside a comparison of visits.
RECALL_CAUTIONS = (NO_SHADOW, NO_VISIBLE_VOID)

CAUTIONS: tuple[Caution, ...] = (
    Caution(
        head="One film is a two-dimensional shadow.",
        text="The shape from cheek to tongue, curves out of the film's plane and canals that lie "
        "over each other are not measured. A film taken from the cheek flatters the density.",
        sources=(DENSITY_VIEW,),
    ),
    Caution(
        head="The radiographic apex is not the foramen.",
        text="The two lie 0.5 to 1 mm apart on average and up to about 2 mm. A fill that ends 0 "
        "to 2 mm short on the film may be past the foramen: so it was in 51 % of premolars and "
        "22 % of molars.",
        sources=(MARTOS, BURCH, ELAYOUTI),
    ),
    NO_VISIBLE_VOID,
    NO_SHADOW,
    Caution(
        head="An aid for teaching and review.",
        text="Measures and scores are not a diagnosis, not a treatment order, and this is not a "
        "medical device. The licensed clinician decides, under the local law, code and rules for "
        "records.",
    ),
    Caution(
        head="Never take a film to feed this program.",
        text="As low as reasonably achievable: a retake needs a clinical cause. Of 4786 student "
        "films 37.2 % were repeated, most at the master cone and the length film, most often "
        "because the apex was missed.",
        sources=(REPEATED_FILMS,),
    ),
    Caution(
        head="A length without its scale means nothing.",
        text="Each length stands with the source of its scale, its uncertainty and the rule it is "
        "judged by. A film without a scale gives ratios and pixels only. Percentages from "
        "different rule sets do not compare.",
    ),
    Caution(
        head="No names.",
        text="Exports carry no patient names; burned-in text has to be looked for; films for "
        "teaching need consent and are stripped of identity.",
    ),
    Caution(
        head="Some roots break the usual rules.",
        text="Apical resorption, an immature apex, an extracted or resected root and a "
        "perforation have to be marked by the reader; the measures do not see them.",
    ),
)
