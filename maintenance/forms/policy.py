"""Form that chooses a named level for one duty class."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

LEVELS = (("cautious", _("cautious")), ("balanced", _("balanced")), ("thrifty", _("thrifty")))


class LevelForm(forms.Form):
    level = forms.ChoiceField(choices=LEVELS)
    reason = forms.CharField(label=_("Why it is changed"), max_length=300)
    seen = forms.CharField(widget=forms.HiddenInput, max_length=60)
