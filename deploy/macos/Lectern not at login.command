#!/bin/sh
# Takes back what "Lectern at login.command" set.
cd "$(dirname "$0")" && exec ./lectern start --not-at-login
