"""The conversation as a pure state machine: a case and what was typed in, the next case and messages out."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from expert import argument, remainder, report
from expert.argument import Argued
from expert.case import ELSE, WHERE, Case, Conflict, Message
from expert.commands import Command, help_text, parse
from expert.conclusion import Conclusion, cautions_of, conclude, reasons_for
from expert.diagnosis import Diagnosis, Expert
from expert.evidence import AGAINST
from expert.facts import Fact
from expert.inspection import Next, enters_stage, next_step, stage_of
from expert.knowledge.base import Observable
from expert.knowledge.problems import nearest
from expert.naming import Unclear, known_as, plain, sources_named, two_named
from expert.overlay import Shop
from expert.phrases import Lexicon, Reading, understand
from expert.questions import Question, key_of, look_ahead
from expert.wording import fact_words, joined, percent, source_name, stage_name, value_name, wrap

PLACES_OFFERED = 8
LONGEST_SHOWN = 60
# '2', 'number 2', '#2.', '1, 3 and 4'
_NUMBERS = re.compile(r"(?:(?:number|option|answer)s? |#)?[0-9]+(?:(?:, ?| and | )[0-9]+)*[.)]?")
WELCOME = (
    "firstwet finds where fluid first gets out, before anyone buys the wrong part. Answer with a number, a word or "
    "a short sentence, or just say what you see. `unknown` is always allowed; `why`, `how` and `where` "
    "explain a question; `help` lists the rest. This is advice: the vehicle's own service data, local "
    "codes and licensed practice come first."
)
_CORRECTING = "`confirmed SOURCE` corrects that, `forget confirmed` opens the case again, `quit` ends."


@dataclass(frozen=True)
class Talk:
    """An expert that can be talked to: the reasoning, the words it understands, the width of its lines.

    `shop` are the figures its expert has its prior chances from, if they are not the knowledge's own.
    """

    expert: Expert
    lexicon: Lexicon
    width: int = 76
    shop: Shop | None = None


Turn = tuple[Case, tuple[Message, ...]]


def begin(talk: Talk) -> Turn:
    """A new case and its first question."""
    expert = talk.expert
    stage = stage_of(expert, ())
    case = Case(layout=expert.machine.layout.layout, stage=stage)
    welcome = [Message("info", wrap(WELCOME, talk.width))]
    if talk.shop is not None:
        welcome.append(Message("note", wrap(talk.shop.said, talk.width, rest="  ")))
    case, messages = _advance(talk, case)
    return case, (*welcome, *messages)


def step(talk: Talk, case: Case, text: str) -> Turn:
    """Take one line of input. Never raises for anything typed; what was not understood is said."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    if not line:
        return case, (Message("error", wrap(f"Nothing was typed. {_hint(talk, case)}", talk.width)),)
    if case.conflicts:
        return _settle(talk, case, line)
    if _beyond(case, line):
        wrong = f"Not taken: {_quoted(line)}. Choose a number from 1 to {len(case.choices)}."
        return case, (Message("error", wrap(wrong, talk.width)), Message("info", wrap(_hint(talk, case), talk.width)))
    picked = _picked(talk, case, line) or _spelt_out(talk, case, line)
    if picked is not None:
        return _state(talk, case, (picked,), ())
    settled = remainder.answer(talk.lexicon, line) if case.doubt == ELSE else None
    if settled is not None:
        return _settle_doubt(talk, case, settled)
    command = parse(line)
    if command is not None:
        return _command(talk, case, *command)
    if line.casefold().rstrip(".!") in talk.expert.scale.unknown_words and (case.asked or case.doubt):
        return _leave_open(talk, case)
    return _read(talk, case, line)


def event(before: Case, after: Case, said: str) -> dict[str, Any]:
    """What one input changed, for the case file: the words, the facts added and taken back, what was confirmed."""
    added = [list(fact) for fact in after.facts if fact not in before.facts]
    gone = [list(fact) for fact in before.facts if fact not in after.facts]
    found: dict[str, Any] = {"said": said, "facts": added}
    if gone:
        found["taken-back"] = gone
    if after.confirmed != before.confirmed:
        found["confirmed"] = list(after.confirmed)
    if after.asked is not None:
        found["asks"] = list(after.asked)
    return found


def follow(talk: Talk, case: Case, recorded: Mapping[str, Any]) -> tuple[Case, tuple[Message, ...], bool]:
    """Take a recorded input again. The last part says whether it still means the facts it meant then.

    Where today's words or rules read it otherwise, the recorded facts stand: they are what was true, and so does
    what was confirmed. Only what today's knowledge has no finding, value, stage or source for is left out, and told.
    """
    after, messages = step(talk, case, str(recorded["said"]))
    now = event(case, after, "")
    same = all(now.get(part, []) == recorded.get(part, []) for part in ("facts", "taken-back"))
    if same and now.get("confirmed") == recorded.get("confirmed"):
        return after, messages, True
    gone = [_fact(raw) for raw in recorded.get("taken-back", [])]
    added = [_fact(raw) for raw in recorded["facts"]]
    kept = case.without(*gone).stating(*(fact for fact in added if _has_meaning(talk, fact)))
    lost = [f"{fact.finding}: {fact.value}" for fact in added if not _has_meaning(talk, fact)]
    proved = [str(source) for source in recorded.get("confirmed", case.confirmed)]
    lost += [f"confirmed: {source}" for source in proved if source not in talk.expert.machine.sources]
    confirmed = tuple(source for source in talk.expert.machine.sources if source in proved)
    told = f"Left out, for the knowledge no longer has it: {joined(lost)}." if lost else ""
    notes = [Message("note", wrap(told, talk.width))] if lost else []
    kept = replace(kept, before=case, asked=None, conflicts=(), confirmed=confirmed)
    return (*_go_on(talk, kept, notes), False)


def _has_meaning(talk: Talk, fact: Fact) -> bool:
    """Could this fact be stated today?"""
    observable = talk.expert.machine.observables.get(fact.finding)
    stages = [entry.stage for entry in talk.expert.scale.stages]
    if observable is None or (fact.stage not in stages if observable.staged else fact.stage != ""):
        return False
    if observable.kind != "number":
        return fact.value in observable.values
    least, most = observable.least or 0.0, observable.most or 0.0
    return isinstance(fact.value, float) and least <= fact.value <= most


def _fact(raw: Sequence[Any]) -> Fact:
    finding, value, stage = raw
    return Fact(str(finding), float(value) if isinstance(value, int | float) else str(value), str(stage))


# --- facts -------------------------------------------------------------------------------------------------


def _asked(talk: Talk, case: Case) -> Observable | None:
    return talk.expert.machine.observables.get(case.asked[0]) if case.asked else None


def _beyond(case: Case, line: str) -> bool:
    """Is the line numbers only, and one of them none of those that were offered?"""
    if not case.choices or not _NUMBERS.fullmatch(line.casefold()):
        return False
    return not all(len(n) <= 3 and 1 <= int(n) <= len(case.choices) for n in re.findall("[0-9]+", line))


def _picked(talk: Talk, case: Case, line: str) -> Fact | None:
    """The answer that a bare number or the exact value of the pending question stands for."""
    asked = _asked(talk, case)
    if asked is None or not case.choices or case.asked is None:
        return None
    word = line.casefold().rstrip(".)")
    if word.isascii() and word.isdecimal() and len(word) <= 3 and 1 <= int(word) <= len(case.choices):
        return Fact(asked.id, case.choices[int(word) - 1], case.asked[1])
    return Fact(asked.id, word, case.asked[1]) if word in case.choices else None


def _spelt_out(talk: Talk, case: Case, line: str) -> Fact | None:
    """The fact of a line in the form in which facts are shown and completed: a name, a colon and a value."""
    name, _, value = line.casefold().partition(": ")
    for observable in talk.expert.machine.observables.values():
        if name == observable.name.casefold() and value in observable.values:
            return Fact(observable.id, value, key_of(observable, case.stage)[1])
    return None


def _read(talk: Talk, case: Case, line: str) -> Turn:
    """Free words: state what was understood, say what was not."""
    asked = _asked(talk, case)
    if asked is not None and asked.kind == "zone":  # a number means the place that was shown with it
        asked = replace(asked, values=tuple(dict.fromkeys((*case.choices, *asked.values))))
    elif case.doubt:
        asked = remainder.place_asked(talk.expert.machine, case.doubt, case.choices)
    reading = understand(talk.lexicon, line, case.stage, asked)
    if asked is not None and asked.kind == "choice":
        reading = _as_claim(talk, line, case.stage, asked, reading)
    if case.doubt and asked is not None:
        if reading.unknown == (asked.id,) and not reading.facts:
            return _leave_open(talk, case)
        reading = _with_places_wet(reading, asked.id, case.stage)
    notes = reading_notes(talk, reading)
    if not (reading.facts or reading.unknown or reading.contradictions) and reading.stage == case.stage:
        after, answered = _answer_claims(talk, case, reading)
        return after, (*answered, *notes, Message("info", wrap(_hint(talk, case), talk.width)))
    opened = case
    for left_open in reading.unknown:
        observable = talk.expert.machine.observables[left_open]
        opened = replace(opened, closed=opened.closed | {key_of(observable, case.stage)})
    if reading.unknown:
        names = joined(talk.expert.machine.observables[name].name for name in reading.unknown)
        notes = (Message("note", wrap(f"Left open: {names}.", talk.width, rest="  ")), *notes)
    facts = entering(talk.expert, reading, case.stage)
    doubtful = [fact for pair in reading.contradictions for fact in pair]
    stated = opened.stating(*facts)
    told, answered = _answer_claims(talk, replace(stated, stage=stage_of(talk.expert, stated.facts)), reading)
    opened = replace(opened, cautioned=told.cautioned)
    after, messages = _state(talk, opened, [*facts, *doubtful], (*notes, *answered))
    return replace(after, before=case), messages


def _as_claim(talk: Talk, line: str, stage: str, asked: Observable, reading: Reading) -> Reading:
    """The reading as an opinion, where it only names the values of the question asked because it blames a part.

    "It must be the pump seal" does not say that the seal was renewed, though that was what was asked.
    """
    alone = understand(talk.lexicon, line, stage)
    more = {fact.finding for fact in reading.facts} - {fact.finding for fact in alone.facts}
    return alone if alone.claims and more == {asked.id} else reading


def _with_places_wet(reading: Reading, asked: str, stage: str) -> Reading:
    """The reading of an answer to where else it is wet: each place named is wet, and several do not contradict."""
    named = [fact for pair in reading.contradictions for fact in pair if fact.finding == asked]
    torn = tuple(pair for pair in reading.contradictions if pair[0].finding != asked)
    facts = dict.fromkeys(remainder.as_wet((*reading.facts, *named), asked, stage))
    return replace(reading, facts=tuple(facts), contradictions=torn)


def entering(expert: Expert, reading: Reading, stage: str) -> tuple[Fact, ...]:
    """The facts of a reading; words that only name a later stage also say that it was entered."""
    entered = next(s.entered_by for s in expert.scale.stages if s.stage == reading.stage)
    if reading.stage == stage or any(fact.finding in entered for fact in reading.facts):
        return reading.facts
    return (*(Fact(name, value) for name, value in entered.items()), *reading.facts)


def reading_notes(talk: Talk, reading: Reading) -> tuple[Message, ...]:
    """What was taken for what, and what was not understood, as messages."""
    notes = [
        Message("note", wrap(f"Read {_quoted(typed)} as {_quoted(taken)}.", talk.width))
        for typed, taken in reading.corrections
    ]
    for piece in reading.not_understood:
        near = reading.nearest.get(piece, ())
        offer = f" Near it: {joined(near, 'or')}." if near else ""
        notes.append(Message("error", wrap(f"Not understood: {_quoted(piece)}.{offer}", talk.width)))
    notes += [
        Message("error", wrap(f"Not taken: {_quoted(piece)}. {why}", talk.width))
        for piece, why in reading.problems
        if not _only_claims(talk, piece, reading)
    ]
    return tuple(notes)


def _only_claims(talk: Talk, piece: str, reading: Reading) -> bool:
    """Is this piece just an opinion of what is at fault, which is answered and no error?"""
    alone = understand(talk.lexicon, piece, reading.stage) if reading.claims else None
    return alone is not None and bool(alone.claims) and not (alone.facts or alone.uncertain)


def _quoted(words: str) -> str:
    return f"'{words if len(words) <= LONGEST_SHOWN else words[:LONGEST_SHOWN] + ' ...'}'"


def conflicting(expert: Expert, facts: Iterable[Fact], new: Fact) -> Fact | None:
    """The fact that cannot be true beside the new one: same finding and stage, another value, only one allowed."""
    if expert.machine.observables[new.finding].many:
        return None
    for old in facts:
        if old.key == new.key and old.value != new.value:
            return old
    return None


def _state(talk: Talk, case: Case, facts: Sequence[Fact], notes: Sequence[Message]) -> Turn:
    """State facts; contradictions become questions to the user, and saying how one cleaned moves the stage on."""
    after, conflicts = case, []
    for fact in facts:
        old = conflicting(talk.expert, after.facts, fact)
        if old is None:
            after = after.stating(fact)
        elif enters_stage(talk.expert, fact.finding):  # cleaned again: the later drive is the one that counts
            after = after.without(old).stating(fact)
        else:
            conflicts.append(Conflict(old, fact))
    new = [fact for fact in after.facts if fact not in case.facts]
    said = list(notes)
    if new:
        words = joined(fact_words(talk.expert.machine, fact) for fact in new)
        said.insert(0, Message("note", wrap(f"Noted: {words}.", talk.width, rest="  ")))
    elif facts and not conflicts:
        said.insert(0, Message("note", wrap("That was known already.", talk.width)))
    after = replace(after, conflicts=tuple(conflicts), before=case)
    if conflicts:
        return after, (*said, _conflict_message(talk, conflicts[0]))
    return _go_on(talk, after, said)


def _go_on(talk: Talk, case: Case, said: Sequence[Message]) -> Turn:
    case = replace(case, stage=stage_of(talk.expert, case.facts), doubt="")
    if case.confirmed:
        return replace(case, asked=None, choices=()), (*said, *_closed(talk, case))
    case, messages = _advance(talk, case)
    return case, (*said, *messages)


def _conflict_message(talk: Talk, conflict: Conflict) -> Message:
    machine = talk.expert.machine
    where = f" ({stage_name(machine, conflict.old.stage)})" if conflict.old.stage else ""
    name = machine.observables[conflict.old.finding].name
    old, new = (value_name(machine, fact) for fact in (conflict.old, conflict.new))
    text = wrap(f"That contradicts what was said before of the {name}{where}. Which is right?", talk.width)
    shown = [
        wrap(words, talk.width, lead)
        for lead, words in (("   1  ", f"{old} (said before)"), ("   2  ", f"{new} (said now)"))
    ]
    return Message("question", "\n".join((text, *shown)))


def _settle(talk: Talk, case: Case, line: str) -> Turn:
    """The user picks one of two contradicting facts."""
    conflict = case.conflicts[0]
    word = line.casefold().rstrip(".)!")
    command, rest = parse(line) or (None, "")
    if word in ("1", "before", "old", "keep", value_name(talk.expert.machine, conflict.old).casefold()):
        kept = case
    elif word in ("2", "now", "new", "change", value_name(talk.expert.machine, conflict.new).casefold()):
        kept = case.without(conflict.old).stating(conflict.new)
    elif word in talk.expert.scale.unknown_words or (command and command.name == "unknown"):
        old = conflict.old  # it is not known which is right, so neither counts
        kept = replace(case.without(old), closed=case.closed | {old.key})
    elif command and command.name in ("back", "quit"):
        return _command(talk, case, command, rest)
    elif command and command.name == "confirmed":
        after, messages = _confirm(talk, case, rest)
        return after, (*messages, _conflict_message(talk, conflict))
    elif command and command.name not in ("forget", "conclude"):
        after, told = _command(talk, case, command, rest)
        return after, (*told, _conflict_message(talk, conflict))
    else:
        return case, (Message("error", "Answer 1 or 2."), _conflict_message(talk, conflict))
    # What is still open is open against what stands now, not against what was just taken back.
    against = ((conflicting(talk.expert, kept.facts, later.new), later.new) for later in case.conflicts[1:])
    left = tuple(Conflict(old, new) for old, new in against if old is not None)
    kept = replace(kept, conflicts=left, before=case)
    right = [fact for fact in (conflict.old, conflict.new) if fact in kept.facts]
    words = f"Kept: {fact_words(talk.expert.machine, right[0])}." if right else "Left open; neither counts."
    said = [Message("note", wrap(words, talk.width, rest="  "))]
    if kept.conflicts:
        return kept, (*said, _conflict_message(talk, kept.conflicts[0]))
    return _go_on(talk, kept, said)


# --- the next question ---------------------------------------------------------------------------------------


def _advance(talk: Talk, case: Case) -> Turn:
    """Diagnose, tell what rules newly advise, and ask the next question or conclude."""
    expert = talk.expert
    now = expert.diagnose(case.facts)
    case, told = _tell(talk, case, now)
    coming = next_step(expert, now, case.stage, case.closed, case.counts)
    if coming.question is None:
        over = coming.phase is None
        return _conclude(talk, replace(case, asked=None, choices=()), now, coming.reason, told, over)
    return _ask(talk, case, now, coming, coming.question, told)


def _tell(talk: Talk, case: Case, now: Diagnosis) -> Turn:
    """What fired rules ask to be done or warn of, each once."""
    telling = [rule for rule in now.trace.rules if rule.first_do or rule.advise or rule.caution]
    new = [rule for rule in telling if rule.rule not in case.told]
    messages = _cautions(talk, case, [c for rule in new for c in rule.caution])
    messages += [Message("advice", wrap(f"First: {r.first_do}", talk.width, rest="  ")) for r in new if r.first_do]
    messages += [Message("advice", wrap(f"Note: {r.advise}", talk.width, rest="  ")) for r in new if r.advise]
    shown = frozenset(c for rule in new for c in rule.caution)
    return replace(case, told=case.told | {r.rule for r in new}, cautioned=case.cautioned | shown), tuple(messages)


def _cautions(talk: Talk, case: Case, names: Iterable[str]) -> list[Message]:
    wanted = cautions_of(talk.expert, [name for name in names if name not in case.cautioned])
    return [Message("caution", report.cautions_text(talk.expert.machine, [name], talk.width)) for name in wanted]


def _ask(talk: Talk, case: Case, now: Diagnosis, coming: Next, question: Question, said: Sequence[Message]) -> Turn:
    observable, phase = question.observable, coming.phase
    key = key_of(observable, question.stage)
    messages = [*said, *_cautions(talk, case, observable.cautions)]
    counts = dict(case.counts)
    if phase is not None and key != case.asked:
        counts[phase.phase] = counts.get(phase.phase, 0) + 1
    choices = _choices(talk, observable, now)
    text = report.question_text(talk.expert.machine, observable, question.stage, choices, talk.width)
    after = replace(
        case,
        asked=key,
        choices=choices,
        counts=counts,
        cautioned=case.cautioned | set(observable.cautions),
    )
    return after, (*messages, Message("question", text))


def _choices(talk: Talk, observable: Observable, now: Diagnosis) -> tuple[str, ...]:
    """The values that get numbers: all, or of many places those where the likeliest sources first show."""
    if observable.kind == "number":
        return ()
    if observable.kind != "zone":
        return observable.values
    machine = talk.expert.machine
    chance = dict.fromkeys(observable.values, 0.0)
    for source, leaks in now.belief.marginals.items():
        for place in machine.first_seen[source]:
            chance[place] += leaks / len(machine.first_seen[source])
    return tuple(sorted(chance, key=lambda place: (-round(chance[place], 9), place))[:PLACES_OFFERED])


def _conclude(talk: Talk, case: Case, now: Diagnosis, reason: str, said: Sequence[Message], over: bool = False) -> Turn:
    """The conclusion; where the questions are `over` and sources stand out, what else is wet is asked once."""
    end = conclude(talk.expert, now, case.stage, case.closed)
    text = report.conclusion_text(
        talk.expert, now, end, case.stage, reason, talk.width, case.cautioned, case.confirmed
    )  # fmt: skip
    after = replace(case, cautioned=case.cautioned | set(end.cautions))
    said = (*said, Message("conclusion", text))
    if over and end.alone and end.looked and end.sources not in case.vouched:
        warned, after = _before_looking(talk, after)
        after = replace(after, doubt=ELSE, choices=remainder.CHOICES)
        return after, (*said, *warned, _else_message(talk, end))
    return after, (*said, _tail(talk))


def _tail(talk: Talk) -> Message:
    tail = (
        "Say more if you see more; `plan` gives the repair's steps and cautions, `why SOURCE` the reasons, "
        "`confirmed SOURCE` what the repair proved, `quit` ends."
    )
    return Message("info", wrap(tail, talk.width))


# --- is anything else wet? -----------------------------------------------------------------------------------


def _before_looking(talk: Talk, case: Case) -> tuple[list[Message], Case]:
    """The cautions before another look all round, those of the question for a place, and the case that had them."""
    asks = remainder.place_asked(talk.expert.machine, ELSE, ())
    names = asks.cautions if asks is not None else ()
    return _cautions(talk, case, names), replace(case, cautioned=case.cautioned | set(names))


def _else_message(talk: Talk, end: Conclusion) -> Message:
    return Message("question", remainder.else_text(talk.expert.machine, end.sources, end.unexplained, talk.width))


def _doubt_message(talk: Talk, case: Case) -> Message:
    """The question that `case.doubt` stands for, again."""
    if case.doubt == WHERE:
        return Message("question", remainder.where_text(talk.expert.machine, case.choices, talk.width))
    return _else_message(talk, conclude(talk.expert, talk.expert.diagnose(case.facts), case.stage, case.closed))


def _settle_doubt(talk: Talk, case: Case, settled: str) -> Turn:
    """Whether anything else is wet: yes asks where, no and "" (not known) leave it at the conclusion."""
    now = talk.expert.diagnose(case.facts)
    sources = now.belief.best[0]
    after = replace(case, doubt="", choices=(), vouched=case.vouched | {sources}, before=case)
    if settled == remainder.YES:
        machine = talk.expert.machine
        blamed = remainder.places(machine, sources)
        offered = remainder.offered(machine, now.belief, case.facts, case.stage, blamed, PLACES_OFFERED)
        after = replace(after, doubt=WHERE, choices=offered)
        return after, (_doubt_message(talk, after),)
    note = "Noted: nothing else is wet." if settled else "Left open; look all round once more after the repair."
    return after, (Message("note", wrap(note, talk.width)), _tail(talk))


# --- what the repair proved ----------------------------------------------------------------------------------


def _source_names(talk: Talk, sources: Iterable[str]) -> list[str]:
    return [source_name(talk.expert.machine, source) for source in sources]


def _closed(talk: Talk, case: Case) -> tuple[Message, ...]:
    """That the case is closed, by what, and how to change that."""
    names = joined(_source_names(talk, case.confirmed))
    text = f"The case is closed; confirmed by the repair: {names}. {_CORRECTING}"
    return (Message("info", wrap(text, talk.width)),)


def _confirm(talk: Talk, case: Case, words: str) -> Turn:
    """Close the case with the sources that the repair proved; nothing is taken unless each is clear."""
    if not words:
        how = "Name what the repair proved to leak, as in `confirmed SOURCE` or `confirmed SOURCE and SOURCE`."
        return case, _closed(talk, case) if case.confirmed else (Message("info", wrap(how, talk.width)),)
    named = sources_named(talk.expert.machine, words)
    if not named.sources and not case.conflicts and understand(talk.lexicon, words, case.stage).facts:
        return _read(talk, case, words)  # "confirmed: the hole is wet" states what was seen
    if named.unclear or not named.sources:
        unclear = named.unclear or (Unclear(words, (), False),)
        return case, tuple(Message("error", _unclear(talk, each)) for each in unclear)
    if named.sources == case.confirmed:
        return case, (Message("info", "That was confirmed already."), *_closed(talk, case))
    held = case.held if case.confirmed else case
    after = replace(case, confirmed=named.sources, asked=None, choices=(), doubt="", before=case, held=held)
    ranking = talk.expert.diagnose(case.facts).belief.ranking
    places = {source: at for at, (source, _) in enumerate(ranking, start=1)}
    stood = joined(
        f"{source_name(talk.expert.machine, source)} number {places[source]} at {percent(dict(ranking)[source])}"
        for source in named.sources
    )
    note = f"Confirmed: {joined(_source_names(talk, named.sources))}. In the ranking it stood: {stood}."
    return after, (
        Message("note", wrap(note, talk.width, rest="  ")),
        Message("info", wrap(f"That closes the case. {_CORRECTING}", talk.width)),
    )


def _unclear(talk: Talk, unclear: Unclear) -> str:
    """Why a piece was not taken for a source, and what to say instead."""
    names = joined(_source_names(talk, unclear.candidates), "or") if unclear.candidates else ""
    if unclear.alike:
        return wrap(f"Not taken: {_quoted(unclear.piece)} may be {names}. Say which.", talk.width)
    near = f" Near it: {names}." if names else ""
    rest = "`so far` lists sources. Where nothing was proved, leave the case open: only proved cases are counted."
    return wrap(f"Not taken: no source is called {_quoted(unclear.piece)}.{near} {rest}", talk.width)


def _leave_open(talk: Talk, case: Case) -> Turn:
    if case.doubt:
        return _settle_doubt(talk, case, "")
    if case.asked is None:
        return case, (Message("info", "No question is waiting."),)
    after = replace(case, closed=case.closed | {case.asked}, before=case)
    note = wrap("Left open; it counts neither for nor against anything.", talk.width)
    return _go_on(talk, after, [Message("note", note)])


def _hint(talk: Talk, case: Case) -> str:
    asked = _asked(talk, case)
    if case.doubt == ELSE:
        return f"Answer {joined(case.choices, 'or')} (or the number), or `unknown`, or `help`."
    if case.doubt == WHERE:
        return "Answer with a number, or name a place, or `unknown`, or `help`."
    if asked is None:
        return "Say what you see in a few words, or `help`, or `quit`."
    if asked.kind == "number":
        return f"Answer with a number (in: {asked.unit}), or `unknown`, or `help`."
    if asked.kind == "zone":
        return "Answer with a number, or name a place, or `unknown`, or `help`."
    return f"Answer {joined(case.choices, 'or')} (or the number), or `unknown`, or `help`."


# --- commands ------------------------------------------------------------------------------------------------


def _command(talk: Talk, case: Case, command: Command, rest: str) -> Turn:
    if command.name == "unknown":
        return _leave_open(talk, case)
    if command.name == "back":
        return _back(talk, case)
    if command.name == "forget":
        return _forget(talk, case, rest)
    if command.name == "quit":
        return case, (Message("bye", "Saved."),)
    if command.name == "confirmed":
        return _confirm(talk, case, rest)
    if command.name == "conclude":
        now = talk.expert.diagnose(case.facts)
        return _conclude(talk, case, now, "asked for before the questions were over", ())
    if command.name in _ARGUMENTS:
        return _ARGUMENTS[command.name](talk, case, rest)
    return case, (Message("info", _told(talk, case, command.name, rest)),)


def _told(talk: Talk, case: Case, name: str, rest: str) -> str:
    """The answer of a command that changes nothing."""
    expert = talk.expert
    machine, asked = expert.machine, _asked(talk, case)
    if name == "help":
        return help_text(talk.width)
    if name == "facts":
        said = report.facts_text(machine, case.facts, talk.width)
        proved = f"confirmed by the repair: {joined(_source_names(talk, case.confirmed))}" if case.confirmed else ""
        return f"{said}\n{wrap(proved, talk.width, '  ', '    ')}" if proved else said
    if name == "so far":
        return report.ranking_text(machine, expert.diagnose(case.facts).belief.ranking, talk.width)
    if name == "map":
        return report.map_text(machine, case.facts, case.stage, (), talk.width)
    if name == "plan":
        now = expert.diagnose(case.facts)
        return report.plan_text(expert, conclude(expert, now, case.stage, case.closed), talk.width)
    if name == "what is":
        return meaning(talk, rest)
    if name == "why" and rest:
        return _why_source(talk, case, rest)
    if case.doubt:
        return _told_of_doubt(talk, case, name)
    if asked is None:
        return wrap(f"No question is waiting, so there is no `{name}` to tell.", talk.width)
    if name == "how":
        tools = f" You need: {joined(asked.tools)}." if asked.tools else ""
        return wrap(asked.how + tools, talk.width)
    if name == "where":
        marked = [asked.id] if asked.id in machine.zones else []
        shown = f"\n{report.map_text(machine, case.facts, case.stage, marked, talk.width)}" if marked else ""
        return wrap(asked.where, talk.width) + shown
    now = expert.diagnose(case.facts)
    question = look_ahead(expert, now, asked, case.stage)
    return report.outlook_text(machine, question, now.belief.ranking, talk.width)


def _told_of_doubt(talk: Talk, case: Case, name: str) -> str:
    """Why, how and where, of the question whether anything else is wet."""
    if name == "where":
        blamed = remainder.places(talk.expert.machine, talk.expert.diagnose(case.facts).belief.best[0])
        return report.map_text(talk.expert.machine, case.facts, case.stage, blamed, talk.width)
    return wrap(remainder.HOW if name == "how" else remainder.WHY, talk.width)


def find_source(talk: Talk, words: str) -> str | None:
    """The source a person means by its name, its id or one of its words; None if nothing is near."""
    machine = talk.expert.machine
    names = {
        word.casefold(): source
        for source, entry in machine.sources.items()
        for word in (source, source.replace("-", " "), entry.name, *entry.words)
    }
    known = known_as(words, names)
    return None if known is None else names[known]


def _why_source(talk: Talk, case: Case, words: str) -> str:
    source = find_source(talk, words)
    if source is None:
        return wrap(f"No source is called {_quoted(words)}. `so far` lists them.", talk.width)
    now = talk.expert.diagnose(case.facts)
    chance = percent(now.belief.marginals[source])
    head = f"{source_name(talk.expert.machine, source)}: {chance}."
    reasons = reasons_for(now, source)
    if not reasons:
        known = f"it is {talk.expert.machine.sources[source].commonness} as leaks go"
        if talk.shop is not None and source in talk.shop.chances:
            known = f"by this shop's figures it leaks in {percent(talk.shop.chances[source])} of cases"
        return wrap(f"{head} Nothing said so far speaks for or against it; {known}.", talk.width)
    lines = [report.reason_text(talk.expert.machine, reason, talk.width, named=False) for reason in reasons]
    signs = ["against" if reason.kind == AGAINST else "for" for reason in reasons]
    return "\n".join([wrap(head, talk.width), *(f"{sign}:\n{line}" for sign, line in zip(signs, lines, strict=True))])


# --- argument ------------------------------------------------------------------------------------------------


def _argue(talk: Talk, case: Case, argued: Argued) -> Turn:
    """An answer, after those cautions of the look it sends a person to that were not yet read."""
    warned = _cautions(talk, case, argued.cautions)
    after = replace(case, cautioned=case.cautioned | set(argued.cautions))
    return after, (*warned, Message("info", argued.text))


def _answer_claims(talk: Talk, case: Case, reading: Reading) -> Turn:
    """What is to be said to somebody who blames sources."""
    said: list[Message] = []
    for source in reading.claims[: argument.ANSWERED]:
        now = talk.expert.diagnose(case.facts)
        argued = argument.claimed(talk.expert, now, source, case.stage, case.closed, talk.width)
        case, messages = _argue(talk, case, argued)
        said += messages
    return case, tuple(said)


def supposed(
    talk: Talk, stated: Sequence[Fact], words: str, stage: str
) -> tuple[tuple[Fact, ...], tuple[Fact, ...], Reading]:
    """What words suppose, which of the stated facts cannot be true beside it, and the reading."""
    reading = understand(talk.lexicon, words, stage)
    facts = reading.facts
    beside = [conflicting(talk.expert, stated, fact) for fact in facts]
    return facts, tuple(dict.fromkeys(fact for fact in beside if fact is not None)), reading


def _what_if(talk: Talk, case: Case, words: str) -> Turn:
    if not words:
        how = "Say what to suppose, as in `what if the fill tube is dry`. Nothing of it is noted."
        return case, (Message("info", wrap(how, talk.width)),)
    facts, instead, reading = supposed(talk, case.facts, words, case.stage)
    if reading.claims and not facts:
        return _answer_claims(talk, case, reading)
    notes = reading_notes(talk, reading)
    if not facts:
        hint = "Suppose something that can be seen, as in `what if the fill tube is dry`."
        return case, (*notes, Message("info", wrap(hint, talk.width)))
    now = talk.expert.diagnose(case.facts)
    after, told = _argue(talk, case, argument.what_if(talk.expert, now, facts, instead, talk.width))
    return after, (*told, *notes)


def _why_not(talk: Talk, case: Case, words: str) -> Turn:
    source = find_source(talk, words) if words else None
    if source is None:
        lacking = f"No source is called {_quoted(words)}." if words else "Name a source, as in `why not SOURCE`."
        return case, (Message("info", wrap(f"{lacking} `so far` lists them.", talk.width)),)
    now = talk.expert.diagnose(case.facts)
    return _argue(talk, case, argument.why_not(talk.expert, now, source, case.stage, case.closed, talk.width))


def _compare(talk: Talk, case: Case, words: str) -> Turn:
    two = two_named(talk.expert.machine, words)
    if two is None:
        how = "Name two sources, as in `compare SOURCE and SOURCE`; `so far` lists them."
        return case, (Message("info", wrap(how, talk.width)),)
    now = talk.expert.diagnose(case.facts)
    return _argue(talk, case, argument.compare(talk.expert, now, *two, case.stage, case.closed, talk.width))


_ARGUMENTS: Mapping[str, Callable[[Talk, Case, str], Turn]] = {
    "what if": _what_if,
    "why not": _why_not,
    "compare": _compare,
}


def meaning(talk: Talk, words: str) -> str:
    """What a term, a place or a source is."""
    machine = talk.expert.machine
    terms = {term.casefold(): entry.means for term, entry in machine.base.terms.items()}
    places = {w.casefold(): f"{z.name}: {z.where}" for z in machine.zones.values() for w in (z.name, *z.words)}
    parts = {
        w.casefold(): f"{s.name}: {s.about}" for s in machine.sources.values() for w in (s.source, s.name, *s.words)
    }
    known = {**parts, **places, **terms}
    name = known_as(words, known)
    if name is None:
        return wrap(f"No word near {_quoted(words)} is in the glossary.", talk.width)
    return wrap(known[name] if name == plain(words) else f"{name}: {known[name]}", talk.width)


def _back(talk: Talk, case: Case) -> Turn:
    if case.before is None:
        return case, (Message("info", "There is nothing to take back."),)
    before = replace(case.before, cautioned=case.cautioned)  # what was read is not unread
    gone = [fact for fact in case.facts if fact not in before.facts]
    told = [fact_words(talk.expert.machine, fact) for fact in gone]
    if case.confirmed != before.confirmed:
        told.append(
            f"confirmed: {joined(_source_names(talk, case.confirmed))}" if case.confirmed else "forget confirmed"
        )
    words = joined(told) if told else "the last answer"
    note = Message("note", wrap(f"Taken back: {words}.", talk.width, rest="  "))
    return before, (note, *waiting(talk, before))


def waiting(talk: Talk, case: Case) -> tuple[Message, ...]:
    """What a case waits for, shown again: a contradiction to settle, the question, or just more to be said."""
    if case.conflicts:
        return (_conflict_message(talk, case.conflicts[0]),)
    if case.doubt:
        return (_doubt_message(talk, case),)
    asked = _asked(talk, case)
    if asked is None and case.confirmed:
        return _closed(talk, case)
    if asked is None:
        return (Message("info", wrap(_hint(talk, case), talk.width)),)
    text = report.question_text(talk.expert.machine, asked, case.stage, case.choices, talk.width)
    return (Message("question", text),)


def _forget(talk: Talk, case: Case, words: str) -> Turn:
    """Take back everything said of one finding, in the stage in force if it was said there, else in any."""
    machine = talk.expert.machine
    if plain(words) == "confirmed":
        return _open_again(talk, case)
    said = {machine.observables[f.finding].name.casefold(): f.finding for f in case.facts}
    said |= {f.finding: f.finding for f in case.facts}
    said |= {w.casefold(): f.finding for f in case.facts for w in machine.observables[f.finding].words}
    if not words or not case.facts:
        return case, (Message("info", "Said so far:\n" + report.facts_text(machine, case.facts, talk.width)),)
    near = (words,) if words in said else nearest(words, said, 1)
    if not near:
        return case, (
            Message("error", wrap(f"Nothing was said of {_quoted(words)}. Said so far:", talk.width)),
            Message("info", report.facts_text(machine, case.facts, talk.width)),
        )
    finding = said[near[0]]
    gone = [f for f in case.facts if f.finding == finding and f.stage == case.stage] or [
        f for f in case.facts if f.finding == finding
    ]
    after = replace(case.without(*gone), before=case)
    words = joined(fact_words(machine, fact) for fact in gone)
    return _go_on(talk, after, [Message("note", wrap(f"Forgotten: {words}.", talk.width, rest="  "))])


def _open_again(talk: Talk, case: Case) -> Turn:
    """Take back what was confirmed: the inspection goes on where it was."""
    if not case.confirmed:
        return case, (Message("info", "Nothing was confirmed."),)
    note = f"Forgotten: confirmed: {joined(_source_names(talk, case.confirmed))}. The case is open again."
    said = Message("note", wrap(note, talk.width, rest="  "))
    held = case.held
    if held is not None and (held.facts, held.closed, held.conflicts) == (case.facts, case.closed, case.conflicts):
        after = replace(held, before=case)
        return after, (said, *waiting(talk, after))
    # The question that waited then was counted then.
    asked = held.asked if held is not None else None
    return _go_on(talk, replace(case, confirmed=(), held=None, asked=asked, before=case), [said])
