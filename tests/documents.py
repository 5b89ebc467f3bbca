"""What the documents of the project say, taken apart: spans, blocks, tables, links, anchors."""

import re
import shlex
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

HOUSE = Path(__file__).parent.parent
_FENCE = re.compile(r"^( *)```(\w*)\n(.*?)^\1```$", re.MULTILINE | re.DOTALL)
_SPAN = re.compile(r"`([^`]+)`")
_LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")
_HEADING = re.compile(r"^(#+) (.*)$", re.MULTILINE)
_SEPARATORS = {"|", "||", "&&", ";", ">", ">>", "&", "<"}


@dataclass(frozen=True)
class Document:
    path: Path

    @property
    def name(self):
        return str(self.path.relative_to(HOUSE))

    @cached_property
    def text(self):
        return self.path.read_text("utf-8")

    @cached_property
    def prose(self):
        """The text without its blocks."""
        return _FENCE.sub("", self.text)

    @cached_property
    def spans(self):
        """Code within a sentence, one text each; a line end in it is a blank."""
        return [" ".join(span.split()) for span in _SPAN.findall(self.prose)]

    def blocks(self, language):
        return [body for _, of, body in _FENCE.findall(self.text) if of == language]

    @cached_property
    def links(self):
        return _LINK.findall(self.prose)

    @cached_property
    def anchors(self):
        """As GitHub makes them of headings."""
        plain = (re.sub(r"[^\w\- ]", "", text.lower()) for _, text in _HEADING.findall(self.prose))
        return {text.strip().replace(" ", "-") for text in plain}

    def section(self, heading):
        """What stands under a heading, up to the next one."""
        begin = re.search(rf"^#+ {re.escape(heading)}$", self.text, re.MULTILINE)
        assert begin, f"{self.name} has no section {heading!r}"
        after = self.text[begin.end() :]
        end = re.search(r"^#+ ", after, re.MULTILINE)
        return after[: end.start()] if end else after

    def rows(self, heading=None):
        """Cells of every table row under a heading, or in the document; heads are left out."""
        lines = (self.text if heading is None else self.section(heading)).splitlines()
        for number, line in enumerate(lines):
            is_head = number + 1 < len(lines) and re.match(
                r"\s*\|( *:?-+:? *\|)+$", lines[number + 1]
            )
            if (
                line.lstrip().startswith("|")
                and not is_head
                and not re.match(r"\s*\|[-:| ]+$", line)
            ):
                yield [cell.strip() for cell in re.split(r"(?<!\\)\|", line.strip().strip("|"))]

    def command_lines(self):
        """Everything that a person would type, as words: in blocks and within sentences."""
        typed = [line for block in self.blocks("sh") for line in _joined(block).splitlines()]
        typed += [
            span for span in self.spans if span.startswith(("tareline ", "make ", "python -m "))
        ]
        for line in typed:
            yield from _commands(line)


def _joined(block):
    return block.replace("\\\n", " ")


def _commands(line):
    words = shlex.split(line.replace("RUN...|LOT", "RUN"), comments=True)
    one = []
    for word in [*words, ";"]:
        if word in _SEPARATORS:
            if one:
                yield one
            one = []
        else:
            one.append(word)


def documents():
    hidden = {".venv", "node_modules", ".git"}
    return [
        Document(path)
        for path in sorted(HOUSE.rglob("*.md"))
        if not hidden & set(path.relative_to(HOUSE).parts)
    ]


def document(name):
    return Document(HOUSE / name)


def names_in(cell):
    return _SPAN.findall(cell)
