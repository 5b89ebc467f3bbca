"""Mutants that no test can or need notice, with the reason why: `survivors.toml`."""

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.studies.mutants.making import Mutant

PATH = Path(__file__).with_name("survivors.toml")


@dataclass(frozen=True)
class KnownSurvivors:
    """What is known of survivors: kinds of them by the change, and single ones."""

    kinds: tuple[tuple[re.Pattern[str], str], ...]
    """A pattern of file and function, what was and what becomes, a line each; and why."""
    single: dict[tuple[str, str, str], str]
    """By the key of the mutant."""

    @classmethod
    def read(cls, path: Path = PATH) -> "KnownSurvivors":
        """From the file."""
        read = tomllib.loads(path.read_text("utf-8"))
        single = {
            (each["where"], each["was"], each["becomes"]): each["why"]
            for each in read.get("single", [])
        }
        kinds = tuple((re.compile(each["change"]), each["why"]) for each in read.get("kind", []))
        return cls(kinds, single)

    def why(self, mutant: Mutant) -> str:
        """Why it is no matter; empty where it is not known."""
        if mutant.key in self.single:
            return self.single[mutant.key]
        text = "\n".join(mutant.key)
        return next((why for pattern, why in self.kinds if pattern.search(text)), "")

    def complaints(self, tried: Sequence[Mutant], survivors: Sequence[Mutant]) -> list[str]:
        """New survivors, as the file would have them; and single ones of it that are noticed."""
        said = [_entry(mutant) for mutant in survivors if not self.why(mutant)]
        noticed = {mutant.key for mutant in tried} - {mutant.key for mutant in survivors}
        return said + [f"a test notices it: take it from the list: {key}"
                       for key in self.single if key in noticed]  # fmt: skip


def _entry(mutant: Mutant) -> str:
    where, was, becomes = mutant.key
    texts = "\n".join(
        f"{name} = {_quoted(text)}"
        for name, text in (("where", where), ("was", was), ("becomes", becomes))
    )
    return f'[[single]]\n{texts}\nwhy = ""\n'


def _quoted(text: str) -> str:
    return f"'{text}'" if "'" not in text else f"'''{text}'''"
