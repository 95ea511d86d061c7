"""What a toast offers beside its text."""

from django import template

from company.toasts import undo_url_of

register = template.Library()


@register.filter
def undo_url(tags: str) -> str:
    """Address that takes back what the message tells of; empty where nothing can be taken back."""
    return undo_url_of(tags or "")
