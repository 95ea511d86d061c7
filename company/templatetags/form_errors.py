"""What a refused form says of the fields that nobody sees."""

from __future__ import annotations

from typing import Any

from django import template

register = template.Library()

INCOMPLETE = "This page came back incomplete. Open it again, then repeat what you did."
# Codes of the form fields themselves: "This field is required." helps nobody where there is no field to be seen.
FIELD_CODES = {
    "required", "invalid", "invalid_choice", "min_value", "max_value", "min_length", "max_length",
    "null_characters_not_allowed",
}  # fmt: skip


@register.filter
def hidden_errors(form: Any) -> list[str]:
    """Plain sentences for the errors of hidden fields, each once and without the field's name."""
    if not getattr(form, "errors", None):
        return []
    said: list[str] = []
    for field in form.hidden_fields():
        for error in form.errors.as_data().get(field.name, ()):
            said += [INCOMPLETE] if error.code in FIELD_CODES else error.messages
    return list(dict.fromkeys(said))


@register.filter
def visible_errors(form: Any) -> list[Any]:
    """Fields that somebody sees and that were refused, in the order of the form."""
    return [field for field in form.visible_fields() if field.errors] if getattr(form, "errors", None) else []
