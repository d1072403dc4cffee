"""The messages and commands of protocol files, compiled, with their names, fields and verdicts checked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hil.spec.arguments import ARGUMENTS
from hil.spec.checking import Document, Key
from hil.spec.protocol_fields import compile_field, ordered_fields
from hil.spec.protocol_file import CommandPart, MessagePart, ProtocolFile
from hil.spec.protocol_templates import check_pairs, check_template
from hil.spec.wording import one_of, quoted
from hil.vocabulary import ACTIONS, CHANNELS
from hil.wire.dialect import CommandSpec, MessageSpec, PairsForm, Role, Verdict

_TAG = "{tag}"
_ALLOWED = {
    Role.TELEMETRY: tuple(CHANNELS),
    Role.EVENT: ("sequence", "time", "event", "detail"),
    Role.REPLY: ("sequence", "time", "tag", "answer"),
    Role.ROW: (*CHANNELS, "event", "detail"),
}
_CALLED = {Role.TELEMETRY: "telemetry", Role.EVENT: "an event", Role.REPLY: "a reply", Role.ROW: "a row"}
_KINDS = {
    Role.TELEMETRY: "a channel",
    Role.EVENT: f"a field of {_CALLED[Role.EVENT]}",
    Role.REPLY: f"a field of {_CALLED[Role.REPLY]}",
    Role.ROW: "a channel, event or detail",
}


def compile_message(document: Document, name: str, part: MessagePart) -> MessageSpec:
    """Return a message, with what is wrong in it reported."""
    at: Key = ("messages", name)
    role = Role(part.role)
    if role is Role.REPLY and part.verdict is None:
        document.report(at, found="nothing", expected="accepted or refused", member="verdict")
    if role is not Role.REPLY and part.verdict is not None:
        document.report((*at, "verdict"), expected="none, since only replies have a verdict", key=True)
    if part.every and role is not Role.TELEMETRY:
        document.report(
            (*at, "every"),
            found=f"'every' for {_CALLED[role]}",
            expected="it for telemetry sent unasked only",
            key=True,
        )
    _check_when(document, at, part, role)
    for field in part.fields:
        if field not in _ALLOWED[role]:
            document.report_name((*at, "fields", field), _KINDS[role], field, _ALLOWED[role], key=True)
    if role is Role.EVENT and "event" not in part.fields:
        document.report((*at, "pairs" if part.pairs else "template"), expected="a template with {event}")
    _check_form(document, at, part)
    fields = tuple(
        compile_field(document, (*at, "fields", field), field, spec, role) for field, spec in ordered_fields(part)
    )
    return MessageSpec(
        name=name,
        role=role,
        template=part.template,
        fields=fields,
        verdict=None if part.verdict is None else Verdict(part.verdict),
        pairs=None
        if part.pairs is None
        else PairsForm(head=part.pairs.head, equals=part.pairs.equals, between=part.pairs.between),
        period_s=part.every,
        sample_s=part.sampled_every,
        asked_by=part.asked_by,
    )


def _check_when(document: Document, at: Key, part: MessagePart, role: Role) -> None:
    """Check what a message says of when it is sent, and of when its values were taken."""
    if part.asked_by and (role is not Role.TELEMETRY or part.every):
        document.report((*at, "asked_by"), expected="it for telemetry that is sent when it was asked for", key=True)
    elif part.asked_by and part.asked_by not in ACTIONS:
        document.report_name((*at, "asked_by"), "an action", part.asked_by, ACTIONS)
    if part.sampled_every and not any(field.repeated for field in part.fields.values()):
        document.report((*at, "sampled_every"), expected="it for messages with a repeated field only", key=True)


def _check_form(document: Document, at: Key, part: MessagePart) -> None:
    """Check that the message has one form, and that its fields fit it."""
    written = document.node((*at, "template")) is not None
    if part.pairs is not None:
        if written:
            document.report((*at, "template"), expected="either a template or pairs", key=True)
        check_pairs(document, at, part.pairs, part.fields)
    elif part.template:
        check_template(document, at, part.template, part.fields)
    else:
        raw = document.node(at)
        if raw is not None and not {"template", "pairs"} & set(raw.entries):
            document.report(at, found="nothing", expected="text, or pairs in its place", member="template")


def compile_command(document: Document, action: str, part: CommandPart) -> CommandSpec:
    """Return a command, with what is wrong in it reported."""
    at: Key = ("commands", action)
    if action not in ACTIONS:
        document.report_name(at, "an action", action, ACTIONS, key=True)
    else:
        _check_arguments(document, at, action, part)
    check_template(document, at, part.template, part.fields, "tag")
    fields = tuple(
        compile_field(document, (*at, "fields", name), name, spec, None) for name, spec in ordered_fields(part)
    )
    untagged = part.replied and _TAG not in part.template
    return CommandSpec(
        action=action,
        template=part.template,
        fields=fields,
        replied=part.replied,
        deadline_s=part.deadline,
        tries=1 if untagged else part.tries,
        answers=tuple(part.answers),
        menu=part.menu,
    )


def _check_arguments(document: Document, at: Key, action: str, part: CommandPart) -> None:
    needed, optional = ARGUMENTS.get(action, ((), ()))
    for name in part.fields:
        if name not in (*needed, *optional):
            document.report_name(
                (*at, "fields", name), f"an argument of {action}", name, (*needed, *optional), key=True
            )
        elif name in needed and part.fields[name].optional:
            document.report((*at, "fields", name, "optional"), expected=f"no, since {action} needs it")
    raw = document.node((*at, "fields"))
    for name in needed:
        if name not in (raw.entries if raw else {}):
            document.report(at, found="nothing", expected=f"the argument '{name}' of {action}", member=f"fields.{name}")


def check_answers(document: Document, parts: ProtocolFile) -> None:
    """Check that every request that is answered can be told its answer: by a number, or by being the only one."""
    replies = {name: part for name, part in parts.messages.items() if part.role == "reply"}
    replied = {action: part for action, part in parts.commands.items() if part.replied}
    if any(_TAG in part.template for part in replied.values()):
        _check_numbered(document, replied, replies)
    else:
        _check_unnumbered(document, replied, replies)
    for action, part in parts.commands.items():
        for index, name in enumerate(part.answers):
            if name not in replies and not document.is_doubtful(("messages", name)):
                document.report_name(("commands", action, "answers", index), "a reply", name, replies)
        _check_choice(document, ("commands", action, "answers"), part.answers, replies)
        if part.answers and not part.replied:
            document.report(("commands", action, "answers"), expected="none, since it is not replied to", key=True)


def _check_choice(document: Document, at: Key, answers: Sequence[str], replies: Mapping[str, MessagePart]) -> None:
    """Check that a list of replies leaves a way to be told yes, and names none of them twice."""
    written = document.node(at)
    if written is None:
        return
    if not written.items:
        document.report(at, expected="a reply at least, or no 'answers' where any reply may come")
    for index, name in enumerate(answers):
        if name in answers[:index]:
            document.report((*at, index), expected="every reply once")
    if document.is_broken(at):
        return
    known = [replies[name] for name in answers if name in replies]
    accepting = [name for name, reply in replies.items() if reply.verdict == "accepted"]
    if known and len(known) == len(answers) and accepting and all(one.verdict == "refused" for one in known):
        document.report(
            at,
            found=f"refusals only, {one_of(map(quoted, dict.fromkeys(answers)))}",
            expected=f"a reply with the verdict accepted among them ({one_of(accepting)})",
        )


def _check_numbered(document: Document, replied: Mapping[str, CommandPart], replies: Mapping[str, MessagePart]) -> None:
    """Check that where one request carries a number all do, and so do all replies."""
    for action, part in replied.items():
        if _TAG not in part.template and not document.is_broken(("commands", action)):
            document.report(("commands", action, "template"), expected="a template with {tag}, or replied: no")
    for name, reply in replies.items():
        if "tag" not in reply.fields:
            member = "pairs" if reply.pairs else "template"
            document.report(("messages", name, member), expected="a template with {tag}")


def _check_unnumbered(
    document: Document, replied: Mapping[str, CommandPart], replies: Mapping[str, MessagePart]
) -> None:
    """Check that without numbers no reply carries one, and that nothing is sent a second time."""
    for name, reply in replies.items():
        if replied and "tag" in reply.fields:
            document.report(
                ("messages", name, "fields", "tag"), expected="no tag, since no command carries {tag}", key=True
            )
    for action, part in replied.items():
        if part.tries > 1 and document.node(("commands", action, "tries")) is not None:
            document.report(
                ("commands", action, "tries"),
                expected="1, since without {tag} the robot would take a repetition for a new request",
            )
