"""Write the parts of ``glossary.md`` and ``json.md`` that the package itself tells: ``python docs/generate.py``.

``tests/test_docs_generated.py`` holds the pages equal to it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from tcomp.documents.fields import Key
from tcomp.documents.schemas import read_schema, schema_keys, schema_names
from tcomp.glossary import columns, terms
from tcomp.glossary.columns import files

DOCS = Path(__file__).parent
MARK = "<!-- From here on this page is made by docs/generate.py. -->"


def glossary_part() -> str:
    """Every term, in the order of the data's way, and every column."""
    return "\n".join([*_terms(), *_columns()]) + "\n"


def _terms() -> Iterator[str]:
    for term in terms():
        yield f"\n## {term.name}\n"
        yield f"{term.text}\n"
        if term.unit:
            yield f"- Unit: {term.unit}"
        if term.also:
            yield f"- Also: {', '.join(f'`{name}`' for name in term.also)}"
        yield f"- Source: {term.source}"
        if term.see:
            yield f"- See also: {', '.join(f'[{name}](#{_anchor(name)})' for name in term.see)}"


def _anchor(name: str) -> str:
    """Of a heading, as MyST and GitHub make it."""
    kept = "".join(one for one in name.lower() if one.isalnum() or one in " -_")
    return kept.replace(" ", "-")


def _columns() -> Iterator[str]:
    yield "\n## Columns of files\n"
    yield "Capitals stand for what differs from file to file."
    for file, about in files().items():
        yield f"\n### `{file}`\n\n{about}\n\n| column | unit | what it holds |\n|---|---|---|"
        for column in columns():
            if column.file == file:
                yield f"| `{column.name}` | {column.unit} | {column.text} |"


def json_part() -> str:
    """A table of keys for each schema."""
    return "\n".join(line for name in schema_names() for line in _schema(name)) + "\n"


def _schema(name: str) -> Iterator[str]:
    schema = read_schema(name)
    yield f"\n## {name}\n"
    yield f"{schema['title']}. {schema['description']}\n"
    yield f"Schema: `{schema['$id']}`, printed by `tcomp explain --schema {name}`.\n"
    own, repeated = list(schema_keys(name)), _repeated(name)
    taken = sorted(
        {key.path.split(".")[0].removesuffix("[]") for key in own if _part(key) in repeated and "." in key.path}
    )
    if taken:
        yield f"The keys of {', '.join(f'`{one}`' for one in taken)} are those of [{HOMES[name]}](#{HOMES[name]}).\n"
    yield "| key | kind | what it holds |\n|---|---|---|"
    yield from (_row(key) for key in own if _part(key) not in repeated or "." not in key.path)


HOMES = {"fit": "summary", "demo": "summary"}
"""Documents that repeat parts of another."""


def _repeated(name: str) -> set[tuple[str, str]]:
    """Keys that another document explains already."""
    return {_part(key) for key in schema_keys(HOMES[name])} if name in HOMES else set()


def _part(key: Key) -> tuple[str, str]:
    return key.path, key.meaning


def _row(key: Key) -> str:
    kind = " or ".join(key.kinds) + (", may be left out" if key.optional else "")
    return f"| `{key.path}` | {kind} | {key.meaning} |"


PARTS = {"glossary.md": glossary_part, "json.md": json_part}


def whole(name: str) -> str:
    """A page as it is to be: what was written by hand, and behind the mark what is made."""
    by_hand = (DOCS / name).read_text(encoding="utf-8").partition(MARK)[0]
    return f"{by_hand}{MARK}\n{PARTS[name]()}"


if __name__ == "__main__":
    for page in PARTS:
        text = whole(page)
        (DOCS / page).write_text(text, encoding="utf-8")
