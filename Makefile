# make demo    renders the demo session, measures it and shows what came out
# make test    every check there is: tests, lint, types, layers, docs
# make docs    the documentation, as pages in site/
# Each makes its own environment first (tools/set_up.py); a repeat costs nothing.
# Another Python: make PYTHON=/path/to/python3.12 test

SUITABLE := import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))
PYTHON ?= $(shell for p in python3 python3.13 python3.12 python3.11 python; do \
	if "$$p" -c '$(SUITABLE)' 2>/dev/null; then echo "$$p"; break; fi; done)

.PHONY: demo test docs set-up set-up-tests lock
.NOTPARALLEL:

demo: set-up
	.venv/bin/courtplumb demo

test: set-up-tests
	.venv/bin/python -m pytest

docs: set-up
	.venv/bin/python -m mkdocs build --strict

set-up: python
	@"$(PYTHON)" tools/set_up.py

set-up-tests: python
	@"$(PYTHON)" tools/set_up.py --tests

.PHONY: python
python:
	@test -n "$(PYTHON)" || { \
	echo "courtplumb needs Python 3.11, 3.12 or 3.13, and found none." >&2; \
	echo "Debian 12 or newer: sudo apt-get install python3 python3-venv" >&2; exit 1; }

# For developers: resolve the requirements anew, as far as pyproject.toml allows.
lock: python
	"$(PYTHON)" -m venv build/lock && build/lock/bin/python -m pip install --quiet uv
	build/lock/bin/uv pip compile --quiet --upgrade --universal --python-version 3.11 --group dev \
	--generate-hashes --no-emit-index-url --no-header --no-annotate \
	pyproject.toml tools/build_requirements.in --output-file requirements.lock
