# Needs only Python 3.11 or later, a shell and make. Everything goes into .venv, which is set up again only when
# pyproject.toml or constraints.txt has changed.

PYTHON ?= python3
PIP = .venv/bin/python -m pip --disable-pip-version-check install --quiet --only-binary :all: --constraint constraints.txt

.PHONY: demo test lint types

demo: .venv/ready
	.venv/bin/tallybench demo

# ARGS="--postgres=container -k count" and the like go to pytest.
test: .venv/ready-to-test
	.venv/bin/pytest $(ARGS)

lint: .venv/ready-to-test
	.venv/bin/ruff check .
	.venv/bin/ruff format --check .

types: .venv/ready-to-test
	.venv/bin/mypy

.venv/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	|| { echo "Tallybench needs Python 3.11 or later as python3. Yours elsewhere: make PYTHON=/path/to/python3 demo" >&2; exit 1; }
	@$(PYTHON) -m venv .venv \
	|| { rm -rf .venv; echo "This Python cannot make a virtual environment: install its venv module (python3-venv)." >&2; exit 1; }

.venv/ready: .venv/bin/python pyproject.toml constraints.txt
	@echo "Setting up .venv (once; about half a minute)"
	@$(PIP) --editable .
	@touch $@

.venv/ready-to-test: .venv/bin/python pyproject.toml constraints.txt
	@echo "Setting up .venv with what the tests need (once; about a minute)"
	@$(PIP) --editable '.[test]'
	@touch .venv/ready $@
