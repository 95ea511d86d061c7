"""The only settings file. What differs between machines comes from the environment (company.env)."""

from pathlib import Path

from celery.schedules import crontab
from django.core.exceptions import ImproperlyConfigured

from company import env

BASE_DIR = Path(__file__).resolve().parent.parent
DATA_DIR = Path(env.text("DATA_DIR", str(BASE_DIR / ".data")))
DATA_DIR.mkdir(parents=True, exist_ok=True)

DEBUG = env.flag("DEBUG")
DEMO = env.flag("DEMO")
"""The demo firm runs here: known passwords, no second factor. Never set it where real records are kept."""


def _made_on_the_spot(name: str) -> str:
    """Secret kept in the data folder when no variable gives it, so that a trial needs no set-up.

    Outside the repository and made once per installation; restarting keeps sessions alive.
    """
    from django.core.management.utils import get_random_secret_key

    path = DATA_DIR / name
    try:
        with path.open("x", encoding="utf-8") as handle:
            handle.write(get_random_secret_key())
        path.chmod(0o600)
    except FileExistsError:
        pass
    return path.read_text(encoding="utf-8")


SECRET_KEY = env.text("SECRET_KEY") or _made_on_the_spot("secret_key")
ACCESS_NOTE_KEYS = env.words("ACCESS_NOTE_KEYS")
"""Fernet keys of access notes and second factors, newest first; outside the database on purpose. Made on the spot if absent."""

ALLOWED_HOSTS = env.words("ALLOWED_HOSTS", "127.0.0.1,localhost,[::1]")
CSRF_TRUSTED_ORIGINS = env.words("CSRF_TRUSTED_ORIGINS")
BASE_URL = env.text("BASE_URL", "http://127.0.0.1:8000").rstrip("/")
"""Address that printed QR codes and mails point to."""

INSTALLED_APPS = [
    "django.contrib.admin",
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "django_linear_migrations",
    "django_htmx",
    "template_partials",
    "allauth",
    "allauth.account",
    "allauth.mfa",
    "allauth.usersessions",
    "company",
    "sites",
    "devices",
    "maintenance",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "company.middleware.ContentSecurityPolicy",
    "company.programs.ProgramLane",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "company.manner.HouseManner",
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "company.middleware.HtmxAnswers",
    "company.middleware.Audience",
    "company.middleware.SecondFactor",
    "company.races.TwiceAtOnce",
]

ROOT_URLCONF = "company.urls"
WSGI_APPLICATION = "company.wsgi.application"
FORM_RENDERER = "django.forms.renderers.DjangoDivFormRenderer"

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "company.context.firm",
            ],
            "builtins": ["template_partials.templatetags.partials", "django.templatetags.i18n"],
        },
    },
]

# SQLITE_SYNC=full or normal: whether each commit waits for the disk. Invented records need not: demo and tests do not wait.
DATABASES = {"default": env.database(DATA_DIR / "slotledger.sqlite3", sync="normal" if DEMO else "full")}
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

REDIS_URL = env.text("REDIS_URL")
if REDIS_URL and not REDIS_URL.startswith(("redis://", "rediss://", "unix://")):
    raise ImproperlyConfigured("REDIS_URL must begin with redis://, rediss:// or unix://.")

CACHES = (
    {"default": {"BACKEND": "django.core.cache.backends.redis.RedisCache", "LOCATION": REDIS_URL}}
    if REDIS_URL
    else {"default": {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}}
)

# Background work: Job rows are the truth, Celery carries their ids (see company.jobs).
JOB_LEASE_S = env.number("JOB_LEASE_S", 900)
JOB_MAX_ATTEMPTS = 3
JOB_POLL_S = 0.25
CELERY_BROKER_URL = REDIS_URL or "memory://"
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_SOFT_TIME_LIMIT = 600
CELERY_TASK_TIME_LIMIT = 660
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_BROKER_TRANSPORT_OPTIONS = {
    "visibility_timeout": 3600,
    "unacked_restore_interval": 2,
    "unacked_restore_throttle": 1,
    "health_check_interval": 25,
    "socket_keepalive": True,
}
CELERY_TIMEZONE = "UTC"
NIGHTLY_AT_UTC = env.text("NIGHTLY_AT_UTC", "03:10")
# How often is looked for silence, lost links and mails to send.
WATCH_EVERY_S = env.number("WATCH_EVERY_S", 20)
_hour, _minute = NIGHTLY_AT_UTC.split(":")
CELERY_BEAT_SCHEDULE = {
    # UTC and away from local midnight: beat has run twice or not at all around a change of clocks (celery/celery#1604).
    "nightly": {"task": "maintenance.tasks.nightly", "schedule": crontab(hour=int(_hour), minute=int(_minute))},
    "sweep": {"task": "maintenance.tasks.sweep", "schedule": env.number("SWEEP_EVERY_S", 300)},
    # A look that waits in the queue is worth nothing once the next one is due: they must not pile up.
    "watch": {
        "task": "maintenance.tasks.watch", "schedule": WATCH_EVERY_S, "options": {"expires": WATCH_EVERY_S * 0.75},
    },
}  # fmt: skip

AUTH_USER_MODEL = "company.User"
AUTHENTICATION_BACKENDS = ["allauth.account.auth_backends.AuthenticationBackend"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 10}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.NumericPasswordValidator"},
]
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "company:home"
ACCOUNT_ADAPTER = "company.adapter.ClosedAdapter"
ACCOUNT_FORMS = {
    "login": "company.forms.account.SignInForm",
    "reset_password": "company.forms.account.ForgottenPasswordForm",
    "reset_password_from_key": "company.forms.account.NewPasswordForm",
    "change_password": "company.forms.account.ChangePasswordForm",
    "set_password": "company.forms.account.SetPasswordForm",
    "add_email": "company.forms.account.AddAddressForm",
}
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*", "password2*"]
ACCOUNT_EMAIL_VERIFICATION = "none"
ACCOUNT_EMAIL_NOTIFICATIONS = True
"""Whose password, address or second factor was changed gets a mail (company.notices sends the others)."""
ACCOUNT_LOGOUT_ON_GET = False
ACCOUNT_SESSION_REMEMBER = True
ACCOUNT_PREVENT_ENUMERATION = True
MFA_SUPPORTED_TYPES = ["totp", "recovery_codes", "webauthn"]
MFA_TOTP_ISSUER = "Slotledger"
MFA_ADAPTER = "company.factor_seal.SealingAdapter"
"""Seals what makes the codes of a second factor with ACCESS_NOTE_KEYS."""
MFA_PASSKEY_LOGIN_ENABLED = False
MFA_ALLOW_UNVERIFIED_EMAIL = True
"""Sign-up is closed: an address belongs to whom the office invited. Otherwise staff who must could not set up a factor."""
REQUIRE_SECOND_FACTOR = env.flag("REQUIRE_SECOND_FACTOR", default=not (DEBUG or DEMO))
"""Staff must have a second factor. Can be switched off only with DEBUG or DEMO (company.checks)."""

LANGUAGE_CODE = "en-gb"
LANGUAGES = [("en", "English")]
"""Add a language here once its words stand in company/locale (DEVELOPERS.md says how); firm and customers can then choose it."""
LOCALE_PATHS = [BASE_DIR / "company" / "locale"]
TIME_ZONE = env.text("TIME_ZONE", "Europe/London")
USE_I18N = True
USE_TZ = True

STATIC_URL = "static/"
STATIC_ROOT = BASE_DIR / "staticfiles"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"
        if DEBUG or DEMO
        else "whitenoise.storage.CompressedManifestStaticFilesStorage"
    },
}
WHITENOISE_USE_FINDERS = DEBUG or DEMO
MEDIA_ROOT = DATA_DIR / "media"
DATA_UPLOAD_MAX_MEMORY_SIZE = 5 * 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FIELDS = 2000

EMAIL_HOST = env.text("EMAIL_HOST")
EMAIL_PORT = env.number("EMAIL_PORT", 25)
EMAIL_HOST_USER = env.text("EMAIL_HOST_USER")
EMAIL_HOST_PASSWORD = env.text("EMAIL_HOST_PASSWORD")
EMAIL_USE_TLS = env.flag("EMAIL_USE_TLS")
EMAIL_TIMEOUT = 20
"""Seconds. A mail server that does not answer must not keep a person waiting for minutes."""
EMAIL_BACKEND = (
    "django.core.mail.backends.smtp.EmailBackend" if EMAIL_HOST else "django.core.mail.backends.console.EmailBackend"
)
DEFAULT_FROM_EMAIL = env.text("DEFAULT_FROM_EMAIL", "slotledger@localhost")

BEHIND_TLS = BASE_URL.startswith("https://")
SESSION_ENGINE = "company.session_store"
"""The tables hold hashes of the keys and sealed facts: a copied database signs nobody in."""
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = BEHIND_TLS
SESSION_COOKIE_HTTPONLY = True
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_HSTS_SECONDS = 31536000 if BEHIND_TLS else 0
if env.flag("BEHIND_PROXY"):
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
X_FRAME_OPTIONS = "DENY"

LOGGING = {
    "version": 1,
    "disable_existing_loggers": False,
    "formatters": {"line": {"format": "{asctime} {levelname} {name} {message}", "style": "{"}},
    "handlers": {"console": {"class": "logging.StreamHandler", "formatter": "line"}},
    "root": {"handlers": ["console"], "level": env.text("LOG_LEVEL", "INFO")},
    "loggers": {
        "fontTools": {"level": "ERROR"},
        "weasyprint": {"level": "ERROR"},
        # It warns of every request that waits for a thread, however shortly.
        "waitress.queue": {"level": "ERROR"},
    },
}

# The address is unique by a constraint on its lower case, which this check does not see.
SILENCED_SYSTEM_CHECKS = ["auth.W004"]
