"""Self-contained pages: templates filled with escaped text, one style and one script, and a policy
for nothing else.

A page names no other file and asks no server for anything. Its policy (Content Security Policy
Level 3, W3C) allows exactly the style and the script written here, by their SHA-256, so that a name
typed into a record book can never run.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment

_SHARED = "germstats.document"


def self_contained(
    folder: str,
    template: str,
    styles: Sequence[str] = (),
    scripts: Sequence[str] = (),
    **values: object,
) -> str:
    """Fill a template that extends ``base.html``.

    Parameters
    ----------
    folder : str
        The package whose ``templates/`` are meant, such as ``germstats.page``.
    template : str
        File name in them; it may use those of ``germstats.document`` too.
    styles, scripts : sequences of str
        File names of CSS and JavaScript in them, put inline in this order; ``base.css`` comes
        first.
    **values
        What the template names. Text is escaped as HTML; data for a script goes through the filter
        ``tojson``.

    Returns
    -------
    str
        One HTML document.
    """
    style = "\n".join([_text(_SHARED, "base.css"), *(_text(folder, name) for name in styles)])
    script = "\n".join(_text(folder, name) for name in scripts)
    return (
        _environment(folder)
        .get_template(template)
        .render(**values, style=style, script=script, policy=_policy(style, script))
    )


def _policy(style: str, script: str) -> str:
    allowed = f"'sha256-{_digest(script)}'" if script else "'none'"
    return (
        f"default-src 'none'; style-src 'sha256-{_digest(style)}'; script-src {allowed}; img-src "
        "data:; base-uri 'none'; form-action 'none'"
    )


def _digest(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _text(folder: str, name: str) -> str:
    return (resources.files(folder) / "templates" / name).read_text(encoding="utf-8").strip()


@cache
def _environment(folder: str) -> Environment:
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=ChoiceLoader([PackageLoader(folder), PackageLoader(_SHARED)]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
