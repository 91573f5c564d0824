#!/bin/sh
# A double-click opens a terminal window and runs this: Lectern, from the folder it lies in.
cd "$(dirname "$0")" && exec ./lectern start
