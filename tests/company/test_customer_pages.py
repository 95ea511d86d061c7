"""Pages of customers: details, contacts and who sees them in the portal."""

from __future__ import annotations

from django.core import mail
from django.urls import reverse

from company.models import ChangeRow, Contact, Customer, PortalAccess, User
from sites.models import Site
from tests import factories
from tests.company.test_firm_pages import grow


def customer_data(**over):
    data = {
        "code": "HB1", "name": "Harbour Board", "language": "en", "paper": "a4", "inspections_per_year": "2",
        "response_hours": "8", "note": "",
    }  # fmt: skip
    return data | over


def test_a_customer_is_added_and_written_down(world):
    response = world.client("office").post("/customers/new/", customer_data())
    customer = Customer.objects.get(code="HB1")
    assert response.url == customer.get_absolute_url()
    assert ChangeRow.objects.get(verb="save_customer", subject_id=customer.pk).customer == customer


def test_two_customers_cannot_share_a_code(world):
    response = world.client("office").post("/customers/new/", customer_data(code=world.own.code.lower()))
    assert response.status_code == 422
    assert "Another customer has this code" in response.content.decode()


def test_a_hostile_name_stays_text(world):
    world.client("office").post("/customers/new/", customer_data(name="<script>alert(1)</script>"))
    customer = Customer.objects.get(code="HB1")
    for url in ("/customers/", customer.get_absolute_url(), f"{customer.get_absolute_url()}edit/"):
        page = world.client("office").get(url).content.decode()
        assert "<script>alert" not in page
        assert "&lt;script&gt;alert" in page


def test_contacts_are_added_changed_and_removed(world):
    client = world.client("office")
    new = reverse("company:contact_new", args=[world.own.pk])
    client.post(new, {"name": "Jo Reid", "email": "jo@example.org", "gets_reports": "on"})
    contact = Contact.objects.get()
    assert contact.customer == world.own
    assert contact.gets_reports
    client.post(reverse("company:contact_edit", args=[contact.pk]), {"name": "Jo Reid", "phone": "01500 555 010"})
    contact.refresh_from_db()
    assert contact.phone == "01500 555 010"
    client.post(reverse("company:contact_remove", args=[contact.pk]))
    assert not Contact.objects.exists()
    assert ChangeRow.objects.get(verb="remove_contact").before["name"] == "Jo Reid"


def test_mail_to_a_contact_needs_an_address(world):
    url = reverse("company:contact_new", args=[world.own.pk])
    assert world.client("office").post(url, {"name": "Jo", "gets_notices": "on"}).status_code == 422


def test_a_new_portal_person_is_invited_and_sees_only_this_customer(world):
    url = reverse("company:access_give", args=[world.own.pk])
    data = {"new-name": "Pat Carer", "new-email": "Pat@Example.org", "new-phone": ""}
    assert world.client("office").post(url, data).status_code == 302
    person = User.objects.get(email="pat@example.org")
    assert person.audience == "portal"
    assert mail.outbox[0].to == ["pat@example.org"]
    assert list(Site.objects.visible_to(person)) == [world.own_site]


def test_access_is_given_to_a_known_person_and_ended(world):
    give = reverse("company:access_give", args=[world.other.pk])
    assert world.client("office").post(give, {"user": world.own_user.pk}).status_code == 302
    access = PortalAccess.objects.get(user=world.own_user, customer=world.other)
    assert world.client("office").post(reverse("company:access_end", args=[access.pk])).status_code == 302
    person = User.objects.get(pk=world.own_user.pk)
    assert list(Site.objects.visible_to(person)) == [world.own_site]
    assert ChangeRow.objects.filter(verb="end_portal_access").get().before == {"user": person.email}


def test_the_firms_own_people_get_no_portal_access(world):
    url = reverse("company:access_give", args=[world.own.pk])
    assert world.client("office").post(url, {"user": world.technician.pk}).status_code == 422
    assert not PortalAccess.objects.filter(user=world.technician).exists()


def test_a_closed_customer_vanishes_from_the_portal_and_comes_back(world):
    url = reverse("company:customer_close", args=[world.own.pk])
    assert world.client("office").post(url, {"reason": "contract ended"}).status_code == 404
    assert world.client("manager").post(url, {"reason": ""}).status_code == 422
    assert world.client("manager").post(url, {"reason": "contract ended"}).status_code == 302
    assert not Site.objects.visible_to(User.objects.get(pk=world.own_user.pk)).exists()
    assert world.own.name not in world.client("office").get("/customers/").content.decode()
    assert world.own.name in world.client("office").get("/customers/?state=closed").content.decode()
    assert world.client("manager").post(url, {"reason": "signed again"}).status_code == 302
    assert Site.objects.visible_to(User.objects.get(pk=world.own_user.pk)).exists()


def test_the_list_answers_htmx_with_the_rows_only(world):
    page = world.client("office").get("/customers/?q=light", headers={"HX-Request": "true"}).content.decode()
    assert page.lstrip().startswith('<div id="rows"')
    assert world.other.name in page
    assert world.own.name not in page


def test_a_sort_that_names_no_column_is_ignored(world):
    for sort in ("password", "-portal_access__user__password", "--name", "-"):
        assert world.client("office").get(f"/customers/?sort={sort}").status_code == 200


def test_the_list_takes_the_same_number_of_queries_however_many_there_are(world):
    few, many = grow(world.client("office"), "/customers/", factories.make_customer)
    assert few == many


def test_nobody_from_outside_the_office_reaches_these_pages(world):
    for who in ("technician", "own_user", "other_user"):
        client = world.client(who)
        for url in ("/firm/", "/people/", "/customers/", world.own.get_absolute_url(), "/jobs/"):
            assert client.get(url).status_code == 404, (who, url)
        assert client.post(reverse("company:customer_close", args=[world.own.pk]), {"reason": "x"}).status_code == 404
