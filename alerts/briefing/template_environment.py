"""The templates: those that come with Duskbell, and an operator's own in front of them."""

from __future__ import annotations

from collections.abc import Mapping

from jinja2 import ChoiceLoader, DictLoader, Environment, PackageLoader, StrictUndefined, TemplateError

from alerts.common.text import capital, sentence

TEMPLATE_FAULTS = (TemplateError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError)
"""What a template can raise: its own errors, and those of the expressions in it."""


class Templates:
    """Renders by name, an operator's template before the built-in one of the same name.

    own: name (`go.line.txt.j2`) to source. Nothing is compiled before it is used. Text is escaped in
    HTML only; anything undefined is an error.
    """

    def __init__(self, own: Mapping[str, str] | None = None) -> None:
        self.own = dict(own or {})
        self._environments = {html: self._environment(html=html) for html in (False, True)}

    def render(self, name: str, values: Mapping[str, object], *, html: bool = False) -> str:
        """Raises one of TEMPLATE_FAULTS when a template is broken."""
        return self._environments[html].get_template(name).render(values)

    def _environment(self, *, html: bool) -> Environment:
        environment = Environment(
            loader=ChoiceLoader([DictLoader(self.own), PackageLoader("alerts.briefing")]),
            undefined=StrictUndefined,
            autoescape=html,
            auto_reload=False,  # neither source changes while the process runs
            trim_blocks=True,
            lstrip_blocks=True,
        )
        environment.filters["capital"] = capital  # Jinja2's own would make the rest small
        environment.filters["sentence"] = sentence
        return environment


BUILT_IN = Templates()
