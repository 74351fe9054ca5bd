"""Imported before numpy: one thread for the linear algebra, since its waiting threads slow a busy machine tenfold."""
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
