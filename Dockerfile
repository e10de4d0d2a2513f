FROM python:3.13-slim

ENV PYTHONDONTWRITEBYTECODE=1 PYTHONUNBUFFERED=1 PIP_NO_CACHE_DIR=1 PIP_DISABLE_PIP_VERSION_CHECK=1

RUN useradd --system --uid 10001 --home-dir /app --shell /usr/sbin/nologin wickround
WORKDIR /app

COPY requirements.lock ./
RUN pip install --require-hashes --only-binary=:all: -r requirements.lock

COPY . .

USER wickround
EXPOSE 8000
# /dev/shm: a worker's sign of life must not wait for a slow disk.
CMD ["gunicorn", "config.wsgi", "--bind", "0.0.0.0:8000", "--worker-class", "gthread", "--workers", "2", "--threads", "8", \
     "--worker-tmp-dir", "/dev/shm", "--no-control-socket"]
