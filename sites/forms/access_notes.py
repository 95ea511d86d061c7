"""Forms of access notes."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import forms
from django.contrib.auth.models import AnonymousUser
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.models import User
from sites.models import AccessNote, AccessNoteShown, MonitoringCentre, Site


class AccessNoteForm(forms.ModelForm):
    """What a note says is asked anew each time: the old text is never put into a form."""

    text = forms.CharField(
        label=gettext_lazy("What it says"), max_length=2000, strip=True,
        widget=forms.Textarea(attrs={"rows": 3, "autocomplete": "off", "spellcheck": "false"}),
        help_text=gettext_lazy("Kept encrypted, shown on asking only, and every showing is written down."),
    )  # fmt: skip
    seen = forms.CharField(widget=forms.HiddenInput, max_length=40, required=False)

    class Meta:
        model = AccessNote
        fields = ("kind", "title", "centre")
        labels = {"centre": gettext_lazy("Monitoring centre"), "kind": gettext_lazy("What it opens")}
        help_texts = {
            "title": gettext_lazy("Such as “key safe, back door”. The title is not secret: never put the code there."),
            "centre": gettext_lazy("For a passphrase: whose it is."),
        }

    def __init__(self, *args: Any, site: Site, for_user: User | AnonymousUser, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].required = False
        centre = self.fields["centre"]
        assert isinstance(centre, forms.ModelChoiceField)
        centre.queryset = MonitoringCentre.objects.visible_to(for_user).filter(site=site).order_by("name", "pk")
        centre.empty_label = _("none")
        if self.instance.pk:
            self.fields["seen"].initial = self.instance.changed_at.isoformat()

    def clean_kind(self) -> str:
        return self.cleaned_data["kind"] or AccessNote.Kind.OTHER

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("centre") and cleaned.get("kind") != AccessNote.Kind.PASSPHRASE:
            self.add_error("centre", _("Only a passphrase belongs to a monitoring centre. Choose “none”."))
        if (
            cleaned.get("kind") == AccessNote.Kind.PASSPHRASE
            and not cleaned.get("centre")
            and "centre" not in self.errors
        ):
            self.add_error("centre", self._whose())
        text, title = cleaned.get("text", ""), cleaned.get("title", "")
        if text and title and text.casefold() in title.casefold():
            self.add_error("title", _("The title is not secret and holds the code. Take it out of the title."))
        return cleaned

    def _whose(self) -> str:
        centre = self.fields["centre"]
        assert isinstance(centre, forms.ModelChoiceField)
        if centre.queryset is not None and centre.queryset.exists():
            return _("A passphrase belongs to a monitoring centre. Choose whose it is.")
        return _("No monitoring centre of this site is on record. Add it first, then its passphrase.")


def _no_slip(day: date) -> None:
    """Refuse a day at the ends of the calendar: no moment of it can be worked out."""
    if not 1900 <= day.year <= 9000:
        raise forms.ValidationError(_("Check the year."))


class LogFilter(forms.Form):
    """What of the log of showings is looked at; nonsense in the address is left out."""

    person = forms.ModelChoiceField(queryset=User.objects.none(), required=False, empty_label=gettext_lazy("Everybody"))
    site = forms.ModelChoiceField(queryset=Site.objects.none(), required=False, empty_label=gettext_lazy("All sites"))
    since = forms.DateField(label=gettext_lazy("From"), required=False, widget=forms.DateInput(attrs={"type": "date"}))
    until = forms.DateField(label=gettext_lazy("To"), required=False, widget=forms.DateInput(attrs={"type": "date"}))

    def __init__(self, *args: Any, for_user: User | AnonymousUser, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("since", "until"):
            self.fields[name].validators.append(_no_slip)
        shown = AccessNoteShown.objects.visible_to(for_user)
        people, sites = self.fields["person"], self.fields["site"]
        assert isinstance(people, forms.ModelChoiceField)
        assert isinstance(sites, forms.ModelChoiceField)
        people.queryset = User.objects.visible_to(for_user).filter(pk__in=shown.values("to")).order_by("name", "pk")
        people.label_from_instance = lambda person: person.name  # type: ignore[assignment, method-assign, attr-defined]
        mine = Site.objects.visible_to(for_user).filter(pk__in=shown.values("note__site"))
        sites.queryset = mine.order_by("name", "pk")
