FROM python:3.11-slim-bookworm

RUN apt-get update \
    && apt-get install -y --no-install-recommends libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 \
    && rm -rf /var/lib/apt/lists/* \
    && useradd --create-home --uid 10001 ledger

WORKDIR /srv/slotledger
COPY requirements.txt .
RUN pip install --no-cache-dir --no-deps -r requirements.txt
COPY manage.py ./
COPY company company
COPY sites sites
COPY devices devices
COPY maintenance maintenance
COPY templates templates

ENV DATA_DIR=/var/lib/slotledger PYTHONUNBUFFERED=1
RUN mkdir -p /var/lib/slotledger staticfiles && chown -R ledger /var/lib/slotledger staticfiles
USER ledger
RUN SECRET_KEY=build-only python manage.py collectstatic --noinput
VOLUME /var/lib/slotledger
EXPOSE 8000
HEALTHCHECK --interval=30s --timeout=5s --start-period=30s \
  CMD python -c "import urllib.request; urllib.request.urlopen('http://127.0.0.1:8000/healthz/', timeout=4)"
CMD ["python", "manage.py", "serve", "--prepared", "--host", "0.0.0.0"]
