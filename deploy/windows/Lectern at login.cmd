@echo off
rem Starts Lectern now, and from now on whenever you log in.
start "Lectern" "%~dp0lectern.exe" start --at-login
