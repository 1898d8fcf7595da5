"""The words that steer the chat: one table, from which help and completion are made."""

from __future__ import annotations

from dataclasses import dataclass

from expert.wording import WIDTH, wrap


@dataclass(frozen=True)
class Command:
    """A command word, other ways to say it, what may follow it, and what it does."""

    name: str
    also: tuple[str, ...]
    takes: str
    does: str


COMMANDS = (
    Command(
        "why",
        ("why do you ask", "why this"),
        "[source]",
        "why this question is asked and what each answer would do; or the reasons for a source",
    ),
    Command(
        "why not",
        ("why isn't it", "why isnt it", "why is it not"),
        "source",
        "what speaks against a source, what for it, what is likelier, and the look that would tell most of it",
    ),
    Command(
        "what if",
        ("suppose", "supposing", "assume"),
        "fact",
        "what would follow if you saw this; nothing of it is noted",
    ),
    Command(
        "compare",
        (),
        "source and source",
        "two sources side by side: what speaks for and against each, and the one question that would part them",
    ),
    Command(
        "how", ("how do i check", "how to check", "how do i check that", "how do i do that"), "", "how to check it"
    ),
    Command(
        "where", ("where is that", "where is it", "where's that", "where do i look"), "", "where it is, with the map"
    ),
    Command("unknown", ("skip", "pass", "next"), "", "leave the question open; it never counts as evidence"),
    Command("back", ("undo",), "", "take back the last answer and ask again"),
    Command("forget", ("take back",), "finding", "take back what you said of one finding, or what was `confirmed`"),
    Command("so far", ("ranking", "rank", "status"), "", "how likely each source is now"),
    Command("facts", ("what do you know",), "", "everything you have said"),
    Command("map", ("show map", "show the map"), "", "the drawn map of wet places"),
    Command("conclude", ("conclusion", "enough", "done"), "", "the conclusion now, without further questions"),
    Command("plan", ("repair", "how do i fix it"), "", "steps, parts and cautions of the repair"),
    Command(
        "confirmed",
        ("confirm", "proved", "proven"),
        "source",
        "what the repair proved to leak, one source or several: it closes the case",
    ),
    Command(
        "what is",
        ("what's", "whats", "what are", "where is", "where are", "explain"),
        "word",
        "what a word, a place or a source is",
    ),
    Command("help", ("h", "commands"), "", "this list"),
    Command("quit", ("exit", "bye", "q"), "", "stop; everything answered is saved"),
)


# The longest first, so that `why do you ask` is not `why` with a source called `do you ask`.
_PHRASES = dict(
    sorted(
        ((phrase, command) for command in COMMANDS for phrase in (command.name, *command.also)),
        key=lambda entry: -len(entry[0]),
    )
)


def parse(text: str) -> tuple[Command, str] | None:
    """The command a line gives, and what follows it; None where the line is not a command.

    A command that takes nothing must be the whole line, so that a sentence which happens to begin with
    such a word is still read as facts.
    """
    line = " ".join(text.casefold().split()).rstrip("?!. ")
    for phrase, command in _PHRASES.items():
        if line == phrase or (command.takes and line.startswith(phrase + " ")):
            return command, line[len(phrase) + 1 :]
    return None


def help_text(width: int = WIDTH) -> str:
    """All commands, each on a line of its own."""
    shown = [(f"{c.name} {c.takes}".strip(), c.does) for c in COMMANDS]
    longest = max(len(name) for name, _ in shown)
    return "\n".join(wrap(does, width, f"  {name:<{longest}}  ") for name, does in shown)
