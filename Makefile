# `make demo` and `make test` do all the set-up on a fresh Debian machine with Python 3.11.

PYTHON ?= $(shell for v in 3.11 3.12 3.13 3.14 3; do command -v python$$v && break; done)
VENV := .venv
BIN := $(VENV)/bin
# Debian packages that tests need, each with a command or library that shows it is there.
DEBIAN := ngspice:ngspice chromium:chromium chromedriver:chromium-driver npm:npm \
          libpangoft2-1.0.so.0:libpangoft2-1.0-0 pdftoppm:poppler-utils sigrok-cli:sigrok-cli

.PHONY: demo test quick lint docs dist lowest newest pythons debian bench accuracy verdicts hardware board layout \
        hostile fuzz mutants lock clean

demo: $(VENV)/demo
	$(BIN)/sparkwitness demo

# On all cores, a file of tests per process at a time.
SPREAD = -n auto --dist loadfile

test: $(VENV)/test debian
	$(MAKE) --no-print-directory lint
	$(BIN)/pytest $(SPREAD)
	$(MAKE) --no-print-directory pythons

# Under a minute: what to run before each commit. QUICK are the tests of pure functions.
QUICK = tests/decode tests/timing tests/fault/test_electrical.py tests/module/test_bench_plan.py \
        tests/whole/test_readme.py tests/whole/test_house.py tests/whole/test_api.py
quick: $(VENV)/test
	$(MAKE) --no-print-directory lint
	$(BIN)/pytest -x $(SPREAD) $(QUICK) -m "not slow"

lint: $(VENV)/test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports --no-logo --no-cache
	$(BIN)/mypy
	$(BIN)/python tests/firmware_types.py

# Offline and strict: a link to nowhere is an error. Begin with build/docs/index.html.
docs: $(VENV)/test
	$(BIN)/sphinx-build --quiet --fail-on-warning --keep-going --fresh-env -c host/docs . build/docs

# A release in dist/; shows that it installs in a new environment and runs the demo.
dist: $(VENV)/test $(VENV)/uv
	$(BIN)/python host/dist.py

bench: $(VENV)/test
	$(BIN)/python tests/bench/speed.py

accuracy: $(VENV)/test
	$(BIN)/python tests/bench/accuracy.py
	SPARKWITNESS_LONG=1 $(BIN)/pytest -q tests/firmware/test_meter_truth.py -k random

verdicts: $(VENV)/test
	$(BIN)/python tests/bench/verdicts.py

hardware: $(VENV)/test
	$(BIN)/python hardware/parts.py
	$(BIN)/python hardware/schematic.py
	$(BIN)/python hardware/breadboard.py
	$(BIN)/python hardware/layout/sheets.py
	$(BIN)/python hardware/layout/picture.py
	$(BIN)/python hardware/layout/labels.py
	$(BIN)/python hardware/check.py

# The printed board from hardware/layout/layout.json: KiCad's files, its two checks, the zip to order, pictures,
# the case. The same bytes each time. KICAD: Debian packages, each with what shows that it is there.
KICAD := /usr/share/kicad/footprints/Resistor_SMD.pretty:kicad-footprints /usr/bin/eeschema:kicad \
         /usr/bin/Xvfb:xvfb /usr/bin/xdotool:xdotool /usr/bin/xclip:xclip /usr/bin/gerbv:gerbv /usr/bin/openscad:openscad
SYSTEM_PYTHON := /usr/bin/python3
board: $(VENV)/test
	@missing=""; for pair in $(KICAD); do test -e $${pair%%:*} || missing="$$missing $${pair##*:}"; done; \
	$(SYSTEM_PYTHON) -c "import pcbnew" 2>/dev/null || missing="$$missing kicad"; \
	test -z "$$missing" || { echo "make board needs KiCad 6 (Debian 12) and tools beside it; not installed:$$missing. \
	Install: apt-get install --no-install-recommends$$missing" >&2; exit 1; }
	$(BIN)/python hardware/layout/sheets.py
	$(SYSTEM_PYTHON) hardware/layout/pcb.py hardware/layout/layout.json hardware/board
	test -x build/kicad/bin/eeschema_do || { $(SYSTEM_PYTHON) -m venv --system-site-packages build/kicad && \
	  build/kicad/bin/pip install --quiet kiauto==2.3.10; }
	$(BIN)/python hardware/layout/erc.py $(CURDIR)/build/kicad/bin/eeschema_do hardware/board
	$(BIN)/python hardware/layout/render.py
	$(BIN)/python hardware/layout/case.py
	$(MAKE) --no-print-directory hardware

# A new search for places and routes (minutes): another board, not the kept one, whose source is layout.json.
# Overwrites layout.json; then `make board`.
layout: $(VENV)/test
	mkdir -p build/layout
	$(SYSTEM_PYTHON) hardware/layout/geometry.py build/layout
	$(BIN)/python hardware/layout/place.py build/layout
	$(BIN)/python hardware/layout/route.py build/layout
	$(BIN)/python hardware/layout/keep.py build/layout

# Ten thousand attacks; fails unless each is borne or refused with a sentence. Then ten thousand visits to the page.
hostile: $(VENV)/test
	cd tests && ../$(BIN)/python -m hostile
	$(BIN)/python tests/bench/live_pages.py --visits 10000

# Small changes to the core, which the tests must notice (40 minutes, two cores). SEED, PER_FILE.
SEED ?= 1
PER_FILE ?= 20
mutants: $(VENV)/test debian
	cd tests && ../$(BIN)/python -m mutants --seed $(SEED) --per-file $(PER_FILE)

fuzz: $(VENV)/fuzz
	cd tests && ../$(BIN)/python -m fuzz --runs 1000000
	SPARKWITNESS_LONG=1 $(BIN)/pytest tests/whole/test_faults.py \
		tests/firmware/test_output_limits.py tests/device/test_losing_the_host.py \
		tests/device/test_losing_the_process.py

$(VENV)/python:
	@test -n "$(PYTHON)" || { echo "Python 3.11 or newer is needed: apt-get install python3-venv" >&2; exit 1; }
	@$(PYTHON) -c "import sys; sys.exit(sys.version_info < (3, 11))" || { echo "Python 3.11 or newer is \
	needed, and $(PYTHON) is $$($(PYTHON) --version 2>&1); name another: make PYTHON=/path/to/python3.11" >&2; exit 1; }
	rm -rf $(VENV)
	$(PYTHON) -m venv $(VENV) || { rm -rf $(VENV); exit 1; }
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

# Which extras and groups of pyproject.toml each lock file holds.
LOCKS = demo all test fuzz
LOCK_demo = --extra demo --group build
LOCK_test = --extra all --group test
LOCK_fuzz = --extra all --group fuzz
LOCK_all = --extra all
COMPILE = $(BIN)/uv pip compile --quiet --python-version 3.11 pyproject.toml

lock: $(VENV)/uv
	$(foreach name,$(LOCKS),$(COMPILE) --universal --generate-hashes $(LOCK_$(name)) \
	  --custom-compile-command "make lock" --output-file host/requirements/$(name).txt &&) true

$(VENV)/uv: $(VENV)/python
	$(BIN)/pip install --quiet uv && touch $@

TRIED = $(filter-out tests/whole/test_house.py,$(QUICK)) tests/records tests/faces/test_report.py \
        tests/cli/test_json.py
# The oldest and the newest versions of what the package depends on; what only tests use is newest.
lowest: RESOLUTION = --resolution lowest-direct
newest: RESOLUTION = --upgrade
lowest newest: $(VENV)/uv
	mkdir -p build
	$(COMPILE) $(RESOLUTION) $(LOCK_all) --group build --output-file build/$@.txt
	$(COMPILE) --constraint build/$@.txt $(LOCK_all) --group build --group quick --output-file build/$@-tests.txt
	$(BIN)/uv venv --quiet --clear --python $(BIN)/python build/$@
	$(BIN)/uv pip install --quiet --python build/$@/bin/python -r build/$@-tests.txt
	$(BIN)/uv pip install --quiet --python build/$@/bin/python --no-deps --no-build-isolation --editable .
	build/$@/bin/pytest -x $(SPREAD) -p no:cacheprovider $(TRIED) -m "not slow and not locked"

# The quick tests with every newer Python that is here.
pythons: $(VENV)/uv
	mkdir -p build
	for v in 3.12 3.13 3.14; do \
	  python=$$($(BIN)/uv python find --no-python-downloads $$v 2>/dev/null) || { echo "Python $$v is not here"; continue; }; \
	  $(BIN)/uv pip compile --quiet --python-version $$v pyproject.toml $(LOCK_all) --group build --group quick \
	    --output-file build/python$$v.txt && \
	  $(BIN)/uv venv --quiet --clear --python $$python build/python$$v && \
	  $(BIN)/uv pip install --quiet --python build/python$$v/bin/python -r build/python$$v.txt && \
	  $(BIN)/uv pip install --quiet --python build/python$$v/bin/python --no-deps --no-build-isolation --editable . && \
	  build/python$$v/bin/pytest -x $(SPREAD) -p no:cacheprovider $(TRIED) -m "not slow and not locked" || exit 1; \
	done

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
