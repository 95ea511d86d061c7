"""What a person may see: the rule every page leans on."""

from company.models import Customer, User
from devices.models import Fitting, Receiver, Registration, RegistrationOutput, Transmitter
from sites.models import PortalSite, Site
from tests import factories


def test_a_portal_user_sees_only_their_customer(world):
    for model, own in [
        (Customer, world.own),
        (Site, world.own_site),
        (Receiver, world.own_receiver),
        (Registration, world.own_registration),
        (Fitting, world.own_fitting),
        (Transmitter, world.own_registration.transmitter),
        (RegistrationOutput, world.own_registration.outputs.get()),
    ]:
        assert list(model.objects.visible_to(world.own_user)) == [own], model
        assert model.objects.visible_to(world.office).count() == 2, model


def test_a_limited_portal_user_sees_only_the_named_site(world):
    second = factories.make_site(world.own)
    receiver = factories.make_receiver(second)
    factories.make_fitting(factories.make_registration(receiver).transmitter)
    user = factories.make_portal_user(world.own, is_limited=True)
    access = user.portal_access.get()
    assert not Site.objects.visible_to(user).exists()
    PortalSite.objects.create(access=access, site=second)
    user = User.objects.get(pk=user.pk)
    assert list(Site.objects.visible_to(user)) == [second]
    assert list(Receiver.objects.visible_to(user)) == [receiver]
    assert Transmitter.objects.visible_to(user).count() == 1
    assert Fitting.objects.visible_to(user).count() == 1
    assert list(Customer.objects.visible_to(user)) == [world.own]


def test_somebody_locked_out_sees_nothing(world):
    world.office.is_active = False
    assert not Site.objects.visible_to(world.office).exists()


def test_a_closed_customer_is_out_of_the_portals_sight(world):
    world.own.closed_at = factories.NOW
    world.own.save()
    user = User.objects.get(pk=world.own_user.pk)
    assert not Site.objects.visible_to(user).exists()
    assert not Customer.objects.visible_to(user).exists()
