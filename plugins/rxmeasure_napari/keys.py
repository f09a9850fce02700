"""Every key of the window, once: the shortcuts, their tooltips and the help text come from here."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key. ``everywhere``: in the whole window; else only with the picture in focus."""

    name: str
    keys: str
    meaning: str
    everywhere: bool = True


KEYS: tuple[Key, ...] = (
    Key(name="next_step", keys="Ctrl+PgDown", meaning="next step"),
    Key(name="previous_step", keys="Ctrl+PgUp", meaning="step before"),
    Key(name="next_canal", keys="Alt+Right", meaning="next canal"),
    Key(name="previous_canal", keys="Alt+Left", meaning="canal before"),
    Key(name="next_film", keys="Alt+PgDown", meaning="next film"),
    Key(name="previous_film", keys="Alt+PgUp", meaning="film before"),
    Key(name="new_canal", keys="Alt+N", meaning="trace a new canal"),
    Key(name="propose", keys="Alt+D", meaning="search the film for filled canals"),
    Key(name="accept", keys="Alt+A", meaning="accept the proposal in front"),
    Key(name="undo", keys="Ctrl+Z", meaning="undo"),
    Key(name="redo", keys="Ctrl+Shift+Z", meaning="redo"),
    Key(name="keep", keys="Ctrl+Return", meaning="keep the review"),
    Key(name="fit_film", keys="Alt+F", meaning="show the whole film"),
    Key(name="fit_canal", keys="Alt+C", meaning="show the canal large"),
    Key(name="finish", keys="Return", meaning="finish the line", everywhere=False),
    Key(name="let_go", keys="Escape", meaning="stop clicking, or let a point go", everywhere=False),
    Key(name="remove", keys="Delete", meaning="take the chosen point out", everywhere=False),
    Key(name="nudge_up", keys="Up", meaning="chosen point 0.5 px up", everywhere=False),
    Key(name="nudge_down", keys="Down", meaning="chosen point 0.5 px down", everywhere=False),
    Key(name="nudge_left", keys="Left", meaning="chosen point 0.5 px left", everywhere=False),
    Key(name="nudge_right", keys="Right", meaning="chosen point 0.5 px right", everywhere=False),
    Key(name="next_point", keys="N", meaning="choose the next point", everywhere=False),
    Key(name="blink", keys="B", meaning="show the other visit (step recall)", everywhere=False),
)

_BY_NAME = {key.name: key for key in KEYS}


def keys_for(name: str) -> str:
    """Keys of one action, as Qt and the reader write them."""
    return _BY_NAME[name].keys


def with_key(text: str, name: str) -> str:
    """A tooltip with its key."""
    return f"{text} ({_BY_NAME[name].keys})"
