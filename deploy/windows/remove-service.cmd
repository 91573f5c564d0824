@echo off
rem Run as administrator. Stops the service and removes it; workspaces, settings
rem and the log stay where they are.
"%~dp0lectern.exe" service remove
