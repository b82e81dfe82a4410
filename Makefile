# `make demo` and `make test` do all the set-up on a fresh Debian machine with Python 3.11.

PYTHON ?= $(shell command -v python3.11 || command -v python3)
VENV := .venv
BIN := $(VENV)/bin
APT := ngspice

.PHONY: demo test lint check bench accuracy hardware clean

demo: $(VENV)/demo
	$(BIN)/sparkwitness demo

test: $(VENV)/test apt
	$(MAKE) lint
	$(BIN)/pytest

lint: $(VENV)/test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

$(VENV)/python:
	@test -n "$(PYTHON)" || { echo "Python 3.11 or newer is needed: apt-get install python3-venv" >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)
	touch $@

$(VENV)/demo: $(VENV)/python pyproject.toml
	$(BIN)/pip install --quiet --editable '.[demo]'
	touch $@

$(VENV)/test: $(VENV)/python pyproject.toml
	$(BIN)/pip install --quiet --editable '.[test]'
	touch $@ $(VENV)/demo

# Debian packages that tests need; left alone where they are there already.
.PHONY: apt
apt:
	@missing=""; for p in $(APT); do command -v $$p >/dev/null || missing="$$missing $$p"; done; \
	if [ -n "$$missing" ]; then \
	  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -qq -y $$missing >/dev/null; \
	  else echo "not installed:$$missing (tests that need them will say so)"; fi; fi

clean:
	rm -rf $(VENV) build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis
