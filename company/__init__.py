"""The firm: people, customers, access, jobs; also the Django project package.

Bottom of the house: imports none of sites, devices, maintenance.
"""

from company.celery import app as celery_app

__all__ = ["celery_app"]
