"""Settings of the test run: everything as in production, less what would make it slow or reach outside."""

import atexit
import os
import shutil
import tempfile

# Never the developer's own records; a folder of its own, so that two test runs do not meet. xdist's workers inherit it.
if "SLOTLEDGER_TEST_DIR" not in os.environ:
    os.environ["SLOTLEDGER_TEST_DIR"] = tempfile.mkdtemp(prefix="slotledger-tests-")
    atexit.register(shutil.rmtree, os.environ["SLOTLEDGER_TEST_DIR"], ignore_errors=True)
os.environ["DATA_DIR"] = os.environ["SLOTLEDGER_TEST_DIR"]
os.environ.setdefault("SECRET_KEY", "only-for-tests")
os.environ.setdefault("DEMO", "yes")

from company.settings import *  # noqa: F403
from company.settings import DATA_DIR, DATABASES

PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
STATIC_ROOT = DATA_DIR / "static"
os.makedirs(STATIC_ROOT, exist_ok=True)
TIME_ZONE = "Europe/London"
BASE_URL = "https://ledger.example.org"
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = False
SECURE_HSTS_SECONDS = 0
ACCOUNT_RATE_LIMITS = False

if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # Files, not memory: the live server and the worker thread are connections of their own.
    DATABASES["default"]["TEST"] = {
        "NAME": os.path.join(os.environ["DATA_DIR"], f"test-{os.environ.get('PYTEST_XDIST_WORKER', 'main')}.sqlite3")
    }
