# `make demo` and `make test` do all the set-up on a fresh Debian machine with Python 3.11.

PYTHON ?= $(shell command -v python3.11 || command -v python3)
VENV := .venv
BIN := $(VENV)/bin
# Debian packages that tests need, each with a command or library that shows it is there.
DEBIAN := ngspice:ngspice chromium:chromium chromedriver:chromium-driver npm:npm \
          libpangoft2-1.0.so.0:libpangoft2-1.0-0 pdftoppm:poppler-utils

.PHONY: demo test lint debian bench accuracy hardware fuzz lock clean

demo: $(VENV)/demo
	$(BIN)/sparkwitness demo

test: $(VENV)/test debian
	$(MAKE) --no-print-directory lint
	$(BIN)/pytest

lint: $(VENV)/test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python tests/firmware_types.py

bench: $(VENV)/test
	$(BIN)/python tests/bench/speed.py

accuracy: $(VENV)/test
	$(BIN)/python tests/bench/accuracy.py

hardware: $(VENV)/test
	$(BIN)/python hardware/parts.py
	$(BIN)/python hardware/schematic.py

fuzz: $(VENV)/fuzz
	cd tests && ../$(BIN)/python -m fuzz --runs 1000000
	SPARKWITNESS_LONG=1 $(BIN)/pytest tests/whole/test_faults.py

$(VENV)/python:
	@test -n "$(PYTHON)" || { echo "Python 3.11 or newer is needed: apt-get install python3-venv" >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)
	touch $@

# Locked with hashes: what is installed is what was tried.
INSTALL = $(BIN)/pip install --quiet --require-hashes -r host/requirements/$(1).txt && \
          $(BIN)/pip install --quiet --no-deps --no-build-isolation --editable . && touch $@

$(VENV)/demo: $(VENV)/python host/requirements/demo.txt
	$(call INSTALL,demo)

$(VENV)/test: $(VENV)/python host/requirements/test.txt
	$(call INSTALL,test)
	touch $(VENV)/demo

$(VENV)/fuzz: $(VENV)/python host/requirements/fuzz.txt
	$(call INSTALL,fuzz)

lock: $(VENV)/python
	$(BIN)/pip install --quiet uv
	for name in demo test fuzz; do $(BIN)/uv pip compile --quiet --universal --generate-hashes \
	  --python-version 3.11 --extra $$name --custom-compile-command "make lock" \
	  --output-file host/requirements/$$name.txt pyproject.toml host/requirements/build.in || exit 1; done

debian:
	@missing=""; for pair in $(DEBIAN); do have=$${pair%%:*}; \
	  command -v $$have >/dev/null || /sbin/ldconfig -p | grep -q $$have || missing="$$missing $${pair##*:}"; \
	done; \
	if [ -n "$$missing" ]; then \
	  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	    echo "installing$$missing"; \
	    apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -qq -y $$missing >/dev/null; \
	  else echo "not installed:$$missing (tests that need them say so and skip)"; fi; fi

clean:
	rm -rf $(VENV) build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis
