@echo off
rem Takes back what "Lectern at login" set.
"%~dp0lectern.exe" start --not-at-login
pause
