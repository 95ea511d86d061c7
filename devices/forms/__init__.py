"""Forms of what is installed: they clean what was typed; every judgement and every write is an action's."""

from devices.forms.ends import BatteryForm, CorrectEndForm, TakeOutForm
from devices.forms.ledger import AwayForm, BackForm, ReasonForm
from devices.forms.receivers import OutputForm, ReceiverForm
from devices.forms.settings import MoveTargetForm, NameForm, RegisterForm, SettingsForm

__all__ = [
    "AwayForm",
    "BackForm",
    "BatteryForm",
    "CorrectEndForm",
    "MoveTargetForm",
    "NameForm",
    "OutputForm",
    "ReasonForm",
    "ReceiverForm",
    "RegisterForm",
    "SettingsForm",
    "TakeOutForm",
]
