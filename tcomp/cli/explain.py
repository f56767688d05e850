"""``tcomp explain``: what a word means that the tool prints, and what each JSON holds."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click
from click.shell_completion import CompletionItem

from tcomp.cli.terminal import width_of

if TYPE_CHECKING:
    from tcomp.glossary import Explanation
    from tcomp.report.layout import Part


def _words(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Terms that begin so; what has blanks is offered with hyphens, so that no quotes are needed."""
    from tcomp.glossary import terms

    offered = (term.name.replace(" ", "-") for term in terms())
    return [CompletionItem(name) for name in offered if name.casefold().startswith(incomplete.casefold())]


def _schemas(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    from tcomp.documents.schemas import schema_names

    return [CompletionItem(name) for name in schema_names() if name.startswith(incomplete)]


@click.command(short_help="Say what a word means that the tool prints.")
@click.argument("term", nargs=-1, metavar="[TERM]", shell_complete=_words)
@click.option("--schema", metavar="NAME", shell_complete=_schemas, help="Print the JSON Schema of a document instead.")
def explain(term: tuple[str, ...], schema: str | None) -> None:
    """Say what a TERM means: a word on the terminal, a key of the job file, a column of a file, a key of JSON.

    Case, plural and hyphens do not matter. Without TERM: all terms. --schema takes summary, curve, table, proof, verdict, lot,
    or another JSON of the tool; a wrong name lists all.

    \b
    Example:  tcomp explain held out
              tcomp explain max_error_ppb
              tcomp explain --schema summary
    """
    if schema is not None:
        import json

        from tcomp.documents.schemas import read_schema

        click.echo(json.dumps(read_schema(schema), indent=1))
        return
    from tcomp.report.layout import laid_out

    parts = _of_word(" ".join(term)) if term else _all_terms()
    click.echo(laid_out(parts, width_of(sys.stdout)))


def _all_terms() -> Iterator[Part]:
    from tcomp.glossary import terms

    yield [(term.name, f"[{term.unit}]" if term.unit else "") for term in terms()]
    yield "Keys of the job file, columns of files and keys of JSON are explained likewise: `tcomp explain max_error_ppb`."


def _of_word(word: str) -> Iterator[Part]:
    from tcomp.glossary import explanations
    from tcomp.job import SECTIONS
    from tcomp.lot.lot_file import LOT_SECTIONS

    return map(_part, explanations(word, {**SECTIONS, **LOT_SECTIONS}))


def _part(found: Explanation) -> Part:
    return [(found.what, found.text), *found.beside]


explain.short_help = "Say what a word means that the tool prints."
