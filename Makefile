# The project's commands. Each prepares what it needs: a virtual environment in .venv with the exact pins of constraints.txt.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready

.PHONY: demo test check validate bench clean

demo: $(READY)
	$(BIN)/crosswise demo --out demo

test: $(READY)
	$(BIN)/python -m pytest -n 2 --dist loadfile

# Lint, format, types, import contracts: what a change must leave clean.
check: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

# The simulations with a known truth: writes docs/validation.md and the figures that the methods report shows; then the long tests.
validate: $(READY)
	$(BIN)/python -m tests.validation
	$(BIN)/python -m pytest -m long -s

bench: $(READY)
	$(BIN)/python -m tests.benchmarks

# uv installs in a third of the time when it is on the path; pip needs nothing else.
$(READY): constraints.txt pyproject.toml
	$(PYTHON) -c "import sys; sys.exit(sys.version_info < (3, 11) and 'Crosswise needs Python 3.11 or newer; call make PYTHON=python3.11')"
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	if command -v uv >/dev/null 2>&1; then \
	  uv pip install --quiet --python $(BIN)/python --require-hashes --no-deps -r constraints.txt && \
	  uv pip install --quiet --python $(BIN)/python --no-deps --no-build-isolation -e . ; \
	else \
	  $(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes --no-deps -r constraints.txt && \
	  $(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e . ; \
	fi
	touch $(READY)

clean:
	rm -rf $(VENV) demo out
