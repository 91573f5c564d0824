#!/bin/sh
# As Lectern.command, and from now on at each login too.
cd "$(dirname "$0")" && exec ./lectern start --at-login
