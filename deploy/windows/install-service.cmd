@echo off
rem Run as administrator, from the folder the program is to stay in:
rem   install-service.cmd D:\Lectern
rem makes a workspace in the folder named (a new one, or one that is a workspace
rem already), gives the service the right to it, and starts the service.
if "%~1"=="" (
  echo Name the folder of the workspace, as in: install-service.cmd D:\Lectern
  exit /b 2
)
rem The settings are UTF-8, whatever characters the folder's name has.
chcp 65001 >nul
set "settings=%ProgramData%\lectern"
"%~dp0lectern.exe" init "%~f1" || exit /b 1
if not exist "%settings%" mkdir "%settings%" || exit /b 1
if not exist "%settings%\service.toml" > "%settings%\service.toml" echo workspaces = ['%~f1']
"%~dp0lectern.exe" service install --service "%settings%\service.toml" || exit /b 1
rem The account exists only from here on: it belongs to the service.
icacls "%~f1" /grant "NT SERVICE\lectern:(OI)(CI)M" || exit /b 1
icacls "%settings%" /grant "NT SERVICE\lectern:(OI)(CI)M" || exit /b 1
sc start lectern
