# One command for each thing that people do here. Every target sets up what it needs.

VENV := .venv
BIN := $(VENV)/bin
SUDO := $(if $(filter 0,$(shell id -u)),,sudo)
export PIP_DISABLE_PIP_VERSION_CHECK = 1

.PHONY: run test lint bench study soak clean browser

run: $(VENV)/.station
	$(BIN)/tallypan serve --simulated

test: $(VENV)/.tests browser lint
	$(BIN)/python -m pytest -q -n 2 --ignore=tests/journeys
	$(BIN)/python -m pytest -q tests/journeys

lint: $(VENV)/.tests
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(VENV)/.tests
	@for bench in tests/bench/bench_*.py; do echo "== $$bench"; $(BIN)/python $$bench || exit 1; done

study: $(VENV)/.tests
	$(BIN)/python -m tests.study

soak: $(VENV)/.tests
	$(BIN)/python -m tests.soak

clean:
	rm -rf $(VENV) var

# Debian keeps venv in a package of its own.
$(VENV)/bin/python:
	python3 -m venv $(VENV) || { rm -rf $(VENV); $(SUDO) apt-get update && $(SUDO) apt-get install -y python3-venv && python3 -m venv $(VENV); }

$(VENV)/.station: $(VENV)/bin/python pyproject.toml
	$(BIN)/python -m pip install -q -e .
	@touch $@

$(VENV)/.tests: $(VENV)/bin/python pyproject.toml
	$(BIN)/python -m pip install -q -e ".[test]"
	@touch $@ $(VENV)/.station

browser:
	@test -x /usr/bin/chromium || { $(SUDO) apt-get update && $(SUDO) apt-get install -y --no-install-recommends chromium; }
