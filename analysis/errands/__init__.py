"""The keeper's jobs for the page: each by a short-lived program, so that it takes nothing from the watch."""
