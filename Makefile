# Paths are relative on purpose: the checkout may lie under a path with spaces.
PYTHON ?= python3
RUN = .venv/bin/python
PACKAGES = accounts fleet servicing billing config demo_tenant tests manage.py
LOCK = uv pip compile --only-binary :all: --universal --python-version 3.11 --generate-hashes --no-emit-index-url

.DEFAULT_GOAL := help
.PHONY: help env demo test bench drill lint types audit sbom words pictures lock

help:
	@echo "make env                  build .venv from the lock files when needed: PYTHON=python3.13 (remove .venv to change it)"
	@echo "make demo                 run everything with an invented world: PRESET=tiny|quick|full SEED=n PORT=n"
	@echo "make test                 run the tests: ARGS='tests/servicing -x'"
	@echo "make bench                measure: ONLY=group or group.module, FULL=1"
	@echo "make drill                inject faults and check that nothing is lost: ONLY=group or group.module, FULL=1"
	@echo "make lint                 ruff and the import contracts"
	@echo "make types                mypy"
	@echo "make audit                known vulnerabilities in what is locked"
	@echo "make sbom                 the bill of materials (CycloneDX) of what is locked: build/sbom.cdx.json"
	@echo "make words                put the catalogues of translated words together, and say what they lack"
	@echo "make pictures             take docs/pictures anew from a served demo: PORT=n"
	@echo "make lock                 write the lock files anew (needs uv)"

# The first Python that suits builds the environment; the script itself needs 3.11.
env:
	@for python in '$(PYTHON)' python3.13 python3.12 python3.11; do \
	  if "$$python" -c 'import sys; sys.exit(not ((3, 11) <= sys.version_info[:2] < (3, 14)))' >/dev/null 2>&1; then \
	    exec "$$python" -I config/environment.py; \
	  fi; \
	done; \
	echo "No suitable Python was found: install Python 3.11, 3.12 or 3.13 (with its venv module), or name one with \`make env PYTHON=/path/to/python3\`." >&2; \
	exit 1

demo: env
	@exec $(RUN) manage.py demo $(if $(PRESET),--preset '$(PRESET)') $(if $(SEED),--seed '$(SEED)') $(if $(PORT),--port '$(PORT)') $(ARGS)

test: env
	@exec $(RUN) -m pytest -n 2 $(ARGS)

bench: env
	@exec $(RUN) -m tests.benchmarks $(if $(ONLY),--only '$(ONLY)') $(if $(FULL),--full) $(ARGS)

drill: env
	@exec $(RUN) -m tests.drills $(if $(ONLY),--only '$(ONLY)') $(if $(FULL),--full) $(ARGS)

lint: env
	@$(RUN) -m ruff check .
	@$(RUN) -m ruff format --check .
	@.venv/bin/lint-imports

types: env
	@$(RUN) -m mypy $(PACKAGES)

audit: env
	@$(RUN) -m tests.supply audit

sbom: env
	@$(RUN) -m tests.supply bill build/sbom.cdx.json

words: env
	@$(RUN) -m tests.words

pictures: env
	@$(RUN) -m tests.pictures http://127.0.0.1:$(or $(PORT),8000)

lock:
	@command -v uv >/dev/null || { echo "The program uv is missing; install it and run \`make lock\` again." >&2; exit 1; }
	@$(LOCK) --quiet pyproject.toml -o requirements.lock
	@$(LOCK) --quiet config/tracing.in -o config/tracing.lock
	@$(LOCK) --quiet tests/requirements.in -o tests/requirements.lock
