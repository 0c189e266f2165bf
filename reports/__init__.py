"""Results in, HTML out. Never sees a patient row; hides small numbers before anything is drawn."""
