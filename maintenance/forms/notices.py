"""Forms of the rules for mails about faults."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from company.models import Customer, User
from maintenance.actions.notice_mail import addresses
from maintenance.actions.notice_rules import seen
from maintenance.models import NoticeRule
from maintenance.rules.notice_hours import EVERY_DAY

WEEKDAYS = (
    ("0", gettext_lazy("Monday")), ("1", gettext_lazy("Tuesday")), ("2", gettext_lazy("Wednesday")),
    ("3", gettext_lazy("Thursday")), ("4", gettext_lazy("Friday")), ("5", gettext_lazy("Saturday")),
    ("6", gettext_lazy("Sunday")),
)  # fmt: skip
MOST_ADDRESSES = 20
NO_ADDRESS = gettext_lazy("Give at least one address: a rule without one tells nobody.")


def clean_addresses(text: str) -> str:
    """Addresses one a line, each looked at; commas and semicolons divide them as well.

    Raises
    ------
    ValidationError
        For one that is no address, for none, and for too many.
    """
    found = addresses(text.replace(",", "\n").replace(";", "\n"))
    if not found:
        raise ValidationError(NO_ADDRESS)
    if len(found) > MOST_ADDRESSES:
        raise ValidationError(_("At most %(n)s addresses. Use an address of a group instead.") % {"n": MOST_ADDRESSES})
    for address in found:
        try:
            validate_email(address)
        except ValidationError:
            raise ValidationError(
                _("“%(address)s” is no mail address. Write one address a line.") % {"address": address}
            ) from None
    return "\n".join(found)


def _addresses_field(help_text: Any) -> forms.CharField:
    return forms.CharField(
        label=gettext_lazy("To these addresses"), widget=forms.Textarea(attrs={"rows": 4, "autocomplete": "off"}),
        max_length=2000, help_text=help_text,
        error_messages={"required": NO_ADDRESS},
    )  # fmt: skip


class OfferForm(forms.Form):
    """To whom the offered rules send."""

    recipients = _addresses_field(gettext_lazy("One a line."))

    def clean_recipients(self) -> str:
        return clean_addresses(self.cleaned_data["recipients"])


class NoticeRuleForm(forms.ModelForm):
    """One rule: faults of which duty, to whom, when."""

    recipients = _addresses_field(
        gettext_lazy(
            "One a line. Somebody outside the firm reads the names of sites and places: choose a customer then."
        )
    )
    weekdays = forms.MultipleChoiceField(
        label=gettext_lazy("On these days"), choices=WEEKDAYS, widget=forms.CheckboxSelectMultiple, initial=list(EVERY_DAY),
        help_text=gettext_lazy("The day on which the hours begin: Friday from 22:00 to 06:00 is Friday night."),
        error_messages={"required": gettext_lazy("Tick at least one day: on no day nobody is told.")},
    )  # fmt: skip
    group_min = forms.IntegerField(
        label=gettext_lazy("Gather for [min]"), min_value=0, max_value=720, initial=1,
        help_text=gettext_lazy("Faults within this time go into one mail."),
    )  # fmt: skip
    again_min = forms.IntegerField(
        label=gettext_lazy("Remind after [min]"), min_value=5, max_value=10080, required=False, initial=30,
        help_text=gettext_lazy("While nobody has acknowledged; each further reminder waits twice as long. Empty: never."),
    )  # fmt: skip
    seen_before = forms.CharField(widget=forms.HiddenInput, required=False, max_length=60)

    class Meta:
        model = NoticeRule
        fields = ["duty", "customer", "recipients", "weekdays", "from_time", "to_time", "note"]
        labels = {
            "duty": gettext_lazy("Faults of"), "customer": gettext_lazy("Of this customer only"),
            "from_time": gettext_lazy("From"), "to_time": gettext_lazy("To"), "note": gettext_lazy("Note"),
        }  # fmt: skip
        help_texts = {
            "duty": gettext_lazy("Duty class of the slot, or the receivers themselves with their links."),
            "customer": "",
            "from_time": gettext_lazy("By the clock of the firm. Both empty: the whole day."),
            "to_time": gettext_lazy("May lie after midnight."), "note": "",
        }  # fmt: skip
        widgets = {
            "from_time": forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
            "to_time": forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        }

    def __init__(self, *args: Any, user: User, **kwargs: Any) -> None:
        rule = kwargs.get("instance")
        if rule is not None and rule.pk:
            kwargs["initial"] = {
                "weekdays": list(rule.weekdays), "group_min": rule.group_s // 60,
                "again_min": rule.again_s // 60 if rule.again_s else None, "seen_before": seen(rule),
            } | kwargs.get("initial", {})  # fmt: skip
        else:
            # The model's own default would come before that of the field: seven digits, which tick nothing.
            kwargs["initial"] = {"weekdays": list(EVERY_DAY)} | (kwargs.get("initial") or {})
        super().__init__(*args, **kwargs)
        customers: Any = self.fields["customer"]
        customers.queryset = Customer.objects.visible_to(user).current().order_by("name", "pk")
        customers.empty_label = _("every customer")

    def clean_recipients(self) -> str:
        return clean_addresses(self.cleaned_data["recipients"])

    def clean_weekdays(self) -> str:
        return "".join(sorted(self.cleaned_data["weekdays"]))

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or {}
        begins, ends = cleaned.get("from_time"), cleaned.get("to_time")
        if (begins is None) != (ends is None) and not {"from_time", "to_time"} & set(self.errors):
            self.add_error("to_time" if ends is None else "from_time", _("Give both hours, or none for the whole day."))
        elif begins is not None and begins == ends:
            self.add_error("to_time", _("From and to are the same hour. Leave both empty for the whole day."))
        self.instance.group_s = (cleaned.get("group_min") or 0) * 60
        self.instance.again_s = cleaned["again_min"] * 60 if cleaned.get("again_min") else None
        return cleaned
