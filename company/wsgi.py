"""WSGI entry point of the web server."""

import gc
import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "company.settings")

application = get_wsgi_application()

# What is loaded by now stays for good. Left to itself the collector walks all of it again and again: a sixth of the time
# that a batch of check-ins takes.
gc.collect()
gc.freeze()
