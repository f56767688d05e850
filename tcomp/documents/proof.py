"""The proof of the generated C: on this machine, on targets, and of the reader of images."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

from tcomp.documents.fields import About, entry, in_unit


@dataclass(frozen=True, kw_only=True)
class CountRange:
    """A count of each lookup, over all codes."""

    least: int = entry("Least over the codes")
    mean: float = entry("Mean over the codes")
    largest: int = entry("Most over the codes")


@dataclass(frozen=True, kw_only=True)
class LookupCost:
    """Cost of one lookup: its own return is counted, the call to it is not."""

    instructions: CountRange = entry("Instructions of a lookup")
    cycles: CountRange | None = entry("Clock cycles of a lookup; null: no count for this processor")
    code_bytes: int = in_unit("bytes", "Flash that the lookup's program takes, with every function that it calls")
    table_bytes: int = in_unit("bytes", "Flash that the entries take; 0: there are none")
    table_in_ram: bool = entry("Whether the entries are copied into RAM at the start, where they take as much again")


@dataclass(frozen=True, kw_only=True)
class TargetProof:
    """The proof on one target, emulated."""

    target: str = entry("Name of the processor")
    holds: bool | None = entry("Whether all answers were the specification's; null: it was not run")
    reason: str = entry("Why it was not run, and how to change that; empty if it was")
    compiler: str = entry("What compiled it")
    version: str = entry("Its version")
    flags: str = entry("Its options")
    emulator: str = entry("What ran it")
    codes: int = entry("Codes compared; 0: the program stopped")
    corrections_checked: int = entry("Corrections compared; 0: the program stopped")
    mismatches: int = entry("Values that differed; 1 if the program stopped")
    first_mismatches: tuple[str, ...] = entry("The first few that differed, in words")
    selftest: int | None = entry("What SYMBOL_selftest() returned there; 0: good; null: not reached")
    lookup: LookupCost | None = entry("What a lookup costs there; null: the program stopped")

    @classmethod
    def not_run(cls, target: str, reason: str) -> TargetProof:
        """A target that this machine cannot run."""
        return cls(
            target=target, holds=None, reason=reason, compiler="", version="", flags="", emulator="", codes=0,
            corrections_checked=0, mismatches=0, first_mismatches=(), selftest=None, lookup=None,
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class ImageProof:
    """The proof of the reader of images."""

    holds: bool = entry(
        "Whether it reads as the specification does, and refuses damaged images, another unit's and older ones"
    )
    targets: tuple[str, ...] = entry("Emulated processors on which it was run besides this machine")
    codes: int = entry("Codes compared")
    damaged_images: int = entry("Images with one bit turned that it was offered")
    mismatches: int = entry("Values that differed")
    first_mismatches: tuple[str, ...] = entry("The first few that differed, in words")


@dataclass(frozen=True, kw_only=True)
class FollowProof:
    """The proof of the filter that follows a moving temperature, over sequences of updates."""

    target: str = entry("Where it ran: host, or the name of the processor")
    holds: bool = entry("Whether all answers were the specification's")
    updates: int = entry("Updates compared: ramps, steps, noise, missed ones and random codes")
    mismatches: int = entry("Values that differed; 1 if the program stopped")
    first_mismatches: tuple[str, ...] = entry("The first few that differed, in words")


@dataclass(frozen=True, kw_only=True)
class ActuatorProof:
    """The proof of an actuator, over a sequence of updates."""

    name: str = entry("Its name in the job")
    target: str = entry("Where it ran: host, or the name of the processor")
    holds: bool = entry("Whether all that can be read was the specification's, and its self-test was good")
    updates: int = entry("Updates compared: ends of the types, steady offsets and random ones")
    mismatches: int = entry("Values that differed; 1 if the program stopped")
    first_mismatches: tuple[str, ...] = entry("The first few that differed, in words")


@dataclass(frozen=True, kw_only=True)
class ProofDocument:
    """The proof of the generated C.

    Examples
    --------
    >>> ProofDocument.not_run("the job does not ask for C").summary
    'not proven: the job does not ask for C'
    """

    ABOUT: ClassVar = About(
        "proof",
        1,
        "Proof of the C",
        "proof.json and `tcomp prove --json`: the generated C compared with the integer lookup.",
    )

    holds: bool | None = entry(
        "Whether the C equals its specification at all that was compared, on the host and on targets; null: it was not run"
    )
    reason: str | None = entry("Why it was not run; left out where it was", left_out=True)
    codes: int = entry("Codes compared in each build on the host: all 65 536; 0: a program stopped, or none was run")
    corrections_checked: int = entry("Corrections of readings, intervals and tuning words compared in each build")
    selftest: int | None = entry("What SYMBOL_selftest() returned; 0: good; null: not reached")
    mismatches: int = entry("Values that differed on the host, and programs that stopped, over all builds")
    first_mismatches: tuple[str, ...] = entry("The first few that differed, in words")
    compiler: str = entry("What compiled the C")
    version: str = entry("Its version")
    flags: tuple[str, ...] = entry("Its options, for each build")
    sanitizer: str = entry("What watched for undefined behaviour in every build; none: the compiler has nothing")
    targets: tuple[TargetProof, ...] = entry("The proof on each target asked for")
    image: ImageProof | None = entry("The proof of the image's reader, where the job asks for one", left_out=True)
    follow: tuple[FollowProof, ...] | None = entry(
        "The proof of the filter that follows a moving temperature, where the job asks for one", left_out=True
    )
    actuators: tuple[ActuatorProof, ...] | None = entry(
        "The proof of each actuator, where the job has any", left_out=True
    )

    @classmethod
    def not_run(cls, reason: str) -> ProofDocument:
        """Nothing was compiled."""
        return cls(
            holds=None, reason=reason, codes=0, corrections_checked=0, selftest=None, mismatches=0, first_mismatches=(),
            compiler="", version="", flags=(), sanitizer="none", targets=(),
        )  # fmt: skip

    def with_targets(self, targets: tuple[TargetProof, ...]) -> ProofDocument:
        """The same with the proof on targets; those that were not run do not count."""
        return replace(self, targets=targets, holds=self.holds and all(one.holds is not False for one in targets))

    def with_image(self, image: ImageProof) -> ProofDocument:
        """The same with the proof of the reader of images."""
        return replace(
            self,
            image=image,
            holds=self.holds and image.holds,
            mismatches=self.mismatches + image.mismatches,
            first_mismatches=(*self.first_mismatches, *image.first_mismatches),
        )

    def with_follow(self, found: tuple[FollowProof, ...]) -> ProofDocument:
        """The same with the proof of the filter, on the host and on targets."""
        return replace(self._with(found), follow=found)

    def with_actuators(self, found: tuple[ActuatorProof, ...]) -> ProofDocument:
        """The same with the proof of each actuator, on the host and on targets."""
        return replace(self._with(found), actuators=found)

    def _with(self, found: tuple[FollowProof | ActuatorProof, ...]) -> ProofDocument:
        return replace(
            self,
            holds=self.holds and all(one.holds for one in found),
            mismatches=self.mismatches + sum(one.mismatches for one in found),
            first_mismatches=(*self.first_mismatches, *(text for one in found for text in one.first_mismatches)),
        )

    @property
    def summary(self) -> str:
        """What was found, in a clause."""
        if self.holds is None:
            return f"not proven: {self.reason}"
        return f"proof: the C {'equals' if self.holds else 'DIFFERS from'} its specification"

    @property
    def builds(self) -> str:
        """What was built and run on the host.

        >>> flags = "-std=c99 -O2 -Wall", "-std=c99 -O0 -Wall", "-std=c99 -Os -D__AVR__ -I. -Wall"
        >>> replace(ProofDocument.not_run(""), compiler="gcc", flags=flags).builds
        'gcc -O2, -O0, -Os with the lines for AVR'
        """
        levels = [
            f"{flags.split()[1]} with the lines for AVR" if "-D__AVR__" in flags else flags.split()[1]
            for flags in self.flags
        ]
        return f"{self.compiler} {', '.join(levels)}"
