"""What tests of intake begin with: a receiver, and a gateway that speaks for its customer."""

from __future__ import annotations

import pytest

from company.models import User
from devices.models import IntakeSource, Receiver
from tests.factories import make_gateway, make_receiver, make_user


@pytest.fixture
def office() -> User:
    return make_user("office")


@pytest.fixture
def receiver() -> Receiver:
    return make_receiver()


@pytest.fixture
def source(receiver: Receiver) -> IntakeSource:
    return make_gateway(receiver.customer)
