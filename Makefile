# Two commands matter on a fresh machine: `make demo` and `make check`. Each sets up what it needs.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

# Compiled code is kept beside its source: without that each of many short processes makes it anew.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo check bench accuracy faults format lint types test laws schemas docs man dist clean help

help:
	@echo "make demo    paint a whole session on the simulated gantry and write its report"
	@echo "make check   format, lint, strict types, architecture and tests"
	@echo "make faults  2000 faults on the simulated gantry, each stop judged by what truly moved (about 20 min)"
	@echo "make laws    the tests of laws, with generated inputs that differ from run to run"
	@echo "make accuracy  where the simulated tip truly goes: tables of docs/motion-accuracy.md (about 20 min)"
	@echo "make bench   timing percentiles, idle and loaded, beside the floor of the same run"
	@echo "make dist    wheel and sdist in dist/, built, looked into, and tried where no checkout is"
	@echo "make docs    the documentation as a site in build/docs; a link that leads nowhere fails"

$(STAMP): pyproject.toml constraints.txt
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV) || \
	  { echo "no venv module: install it first (Debian: apt-get install python3-venv)"; exit 1; }
	@echo "setting up $(VENV) ..."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[dev]'
	@touch $@

demo: $(STAMP)
	@$(BIN)/giornata demo

check: $(STAMP)
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	@# The type checker works beside all that may share the computer. Before the tests a whole session runs once and what
	@# only tests compile is compiled, so that they find it done instead of each process doing it.
	rm -rf build/warm; mkdir -p build; $(BIN)/mypy >build/types.txt 2>&1 & types=$$!; \
	  { $(BIN)/giornata demo --virtual --dir build/warm >/dev/null && \
	  { $(BIN)/python -m pytest -qq -m compiles >/dev/null || true; }; }; warm=$$?; \
	  $(BIN)/giornata schema --check && \
	  $(BIN)/python -m pytest -q -n 3 --dist worksteal -m "not realtime and not campaign"; tested=$$?; \
	  wait $$types; typed=$$?; cat build/types.txt; exit $$((warm | tested | typed))
	$(BIN)/python -m pytest -q -n 2 --dist worksteal -m "realtime and not campaign"

bench: $(STAMP)
	@$(BIN)/python -m tests.bench.run

accuracy: $(STAMP)
	@$(BIN)/python -m tests.bench.accuracy

faults: $(STAMP)
	@$(BIN)/python -m tests.faults.campaign
	$(BIN)/python -m pytest -q -m campaign

format: $(STAMP)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

lint: $(STAMP)
	$(BIN)/ruff check .

types: $(STAMP)
	$(BIN)/mypy

test: $(STAMP)
	$(BIN)/python -m pytest -q -n 3 --dist worksteal -m "not realtime"
	$(BIN)/python -m pytest -q -m realtime

laws: $(STAMP)
	GIORNATA_LAWS=laws $(BIN)/python -m pytest -q -n 3 --dist worksteal -m "not realtime"

schemas: $(STAMP)
	$(BIN)/giornata schema --write

man: $(STAMP)
	@$(BIN)/python -m controller.cli.manpage docs/man/giornata.1

dist: $(STAMP)
	@$(BIN)/python -m tests.packaging --out dist

docs: $(STAMP)
	@$(BIN)/mkdocs build --quiet
	@echo "build/docs/index.html"

clean:
	rm -rf $(VENV) build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis
