# `make demo` and `make test` set everything up by themselves, in .venv beside this file.
# Nothing outside this folder is touched.
SHELL := /bin/sh
VENV := .venv
BIN := $(VENV)/bin
# A virtual environment holds absolute paths: the stamps name the folder, so that a checkout that
# was moved is set up again.
HERE := $(shell pwd | cksum | cut -d' ' -f1)
MADE := $(VENV)/.made-$(HERE)
SETUP := $(VENV)/.setup-$(HERE)
DEV := $(VENV)/.dev-$(HERE)

.PHONY: help setup dev demo test lint check speed lock clean

help:
	@echo "make setup   create .venv with locked versions"
	@echo "make demo    a rig with a hidden fault, found, repaired, homed (sets up by itself)"
	@echo "make test    all tests (sets up by itself); ARGS='-k word' goes to pytest"
	@echo "make check   lint, layout, strict types, import contracts, tests"
	@echo "make speed   wall time against a bare physics loop and a bare wire"
	@echo "make lock    renew requirements*.lock (needs the network)"
	@echo "make clean   remove .venv and everything built"

setup: $(SETUP)

$(MADE):
	@python=; for candidate in $(or $(PYTHON),python3.11 python3 python3.12 python3.13 python); do \
		if $$candidate -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then \
			python=$$candidate; break; fi; done; \
	if [ -z "$$python" ]; then \
		echo "dryrig needs Python 3.11 or newer: install it, or name it: make setup PYTHON=/path/to/python3.11" >&2; exit 1; fi; \
	echo "== creating $(VENV) with $$($$python --version)"; \
	if ! $$python -c 'import sys; sys.exit(sys.version_info >= (3, 12))'; then \
		echo "== pybullet has ready wheels up to Python 3.11 only: here pip builds it from source,"; \
		echo "== which takes 5 to 6 minutes and needs a C++ toolchain and Python's headers"; \
		if ! command -v c++ >/dev/null && ! command -v g++ >/dev/null; then \
			echo "no C++ compiler found: install one (c++ or g++), or Python 3.11" >&2; exit 1; fi; fi; \
	if ! $$python -m venv --clear $(VENV); then \
		echo "no virtual environment could be made: install Python's venv module (Debian: python3-venv)" >&2; exit 1; fi
	@touch $@

$(SETUP): requirements.lock pyproject.toml | $(MADE)
	@echo "== installing the locked run-time packages (520 MB on disk, once)"
	$(BIN)/python -m pip install --require-hashes -r requirements.lock
	@echo "== installing dryrig itself, linked to this folder"
	$(BIN)/python -m pip install --no-deps --no-build-isolation --editable .
	@touch $@
	@echo "== set up"

dev: $(DEV)

$(DEV): requirements-dev.lock $(SETUP)
	@echo "== installing the locked development packages (700 MB on disk, once)"
	$(BIN)/python -m pip install --require-hashes -r requirements-dev.lock
	@mkdir -p $(VENV)/types && ln -sfn ../.. $(VENV)/types/dryrig
	@touch $@

demo: $(SETUP)
	$(BIN)/dryrig demo

# All of them: a process for each core. What ARGS choose is run in one.
ARGS ?= -n auto --dist loadfile
test: $(DEV)
	$(BIN)/pytest $(ARGS)

lint: $(DEV)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

check: lint test

speed: $(DEV)
	$(BIN)/python tests/speed/homing.py
	$(BIN)/python tests/speed/wire.py

# `--universal` writes one lock for every Python from 3.11 up.
lock: $(SETUP)
	$(BIN)/python -m venv $(VENV)/lock
	$(VENV)/lock/bin/python -m pip install uv
	echo setuptools | $(VENV)/lock/bin/uv pip compile pyproject.toml - --universal --python-version 3.11 \
		--generate-hashes --no-annotate --no-header -o requirements.lock
	echo setuptools | $(VENV)/lock/bin/uv pip compile pyproject.toml --group dev --universal --python-version 3.11 \
		--generate-hashes --no-annotate --no-header -c requirements.lock -o requirements-dev.lock

clean:
	rm -rf $(VENV) build dist dryrig.egg-info .pytest_cache .hypothesis .mypy_cache .ruff_cache \
		.import_linter_cache tests/peers/clients/node_modules
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
