"""What a technician reads about a site before ringing the bell."""

from __future__ import annotations

from django.urls import reverse


def test_the_technician_reads_when_somebody_can_open(world):
    for opens, closes in (("09:00", "12:00"), ("14:00", "16:30")):
        for day in range(5):
            world.own_site.visiting_hours.create(customer=world.own, weekday=day, opens=opens, closes=closes)
    page = world.client("technician").get(reverse("maintenance:tech_site", args=[world.own_site.pk])).content.decode()
    assert 'Monday to Friday <span class="num">09:00–12:00, 14:00–16:30</span>' in page


def test_a_site_without_hours_says_nothing_of_them(world):
    page = world.client("technician").get(reverse("maintenance:tech_site", args=[world.own_site.pk])).content.decode()
    assert "Visiting hours" not in page
