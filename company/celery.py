"""The Celery application. Workers are used when REDIS_URL is given; without it the same Job rows run in one thread."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "company.settings")

app = Celery("slotledger")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
