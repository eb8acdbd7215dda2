"""thin"""

from typing import Any
import click
from cyclerule.cli.words import sort_words
from cyclerule.measure.domain_text import read_domain, whole_domain
from cyclerule.project.settings import read_settings
from cyclerule.report.sentence import sentence
from cyclerule.report.timing import view_time
from cyclerule.session.opening import open_program


def time_function(words, as_json, flags, defines, prototypes, **options: Any) -> None:
    found = sort_words(words)
    settings = read_settings(flags=flags, defines=dict((d.partition("=")[::2]) for d in defines), **options)
    program = open_program(found.files, settings, prototypes)
    (name,) = found.functions
    firmware = program.firmware_for(name)
    domains = {}
    for p in firmware.parameters(name):
        text = found.assignments.get(p.name)
        domains[p.name] = read_domain(p.name, p.type, text) if text is not None else whole_domain(p.type)
    result = firmware.sweep(name, domains)
    view = view_time(result, registers=frozenset(firmware.part.registers))
    if as_json:
        import msgspec

        click.echo(msgspec.json.format(msgspec.json.encode(view), indent=1))
    else:
        click.echo(sentence(view))
