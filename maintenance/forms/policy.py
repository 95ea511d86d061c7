"""Form that chooses a named level for one duty class."""

from __future__ import annotations

from django import forms

LEVELS = (("cautious", "cautious"), ("balanced", "balanced"), ("thrifty", "thrifty"))


class LevelForm(forms.Form):
    level = forms.ChoiceField(choices=LEVELS)
    reason = forms.CharField(label="Why it is changed", max_length=300)
    seen = forms.CharField(widget=forms.HiddenInput, max_length=60)
