package main

import (
	"fmt"
	"strings"

	"lectern/watcher"
)

// What start says to somebody who has never seen a terminal. Each sentence names things
// as she sees them.

// beginFile lies in the workspace that start makes.
const beginFile = "How to begin.txt"

// runningWords are said in the window when Lectern is at work.
func runningWords(ws *watcher.Workspace, goos string) []string {
	words := []string{
		"Lectern is at work. It makes finished chapters of the recordings you give it.",
		"",
		"  Give it recordings here:  " + ws.Inbox,
		"  Finished chapters:        " + ws.Finished,
		"",
		"Make a folder for your book in the first one, and copy each finished recording (WAV)",
		"into that. The page that opens in your browser shows what is done and what needs you.",
		"",
		"Lectern works until you close this window, or press Ctrl-C in it. That is safe at any",
		"time: what was begun is taken up again at the next start.",
	}
	return append(words, strings.Split(loginWords(goos)+"\n", "\n")...)
}

// beginWords are what beginFile says.
func beginWords(goos string) string {
	return fmt.Sprintf(`How to begin

1. Make a folder for your book in the folder "inbox", and copy each finished
   recording (WAV) into it. Record somewhere else, not into "inbox".
2. Finished chapters appear in the folder "finished". Open "index.html" there
   with a double-click: it shows what is done, and what needs you.
3. Where something needs you, a text called "... - please read.txt" lies beside
   the chapter. No such text: nothing to do but to listen.

Your recordings are kept, unchanged, in "archive". Keep a second copy of them
somewhere else all the same.

What your client asks may differ from what Lectern aims at. Look through
"lectern.toml" before you hand anything over: each setting has a sentence.

%s

%s

You may delete this text.
`, endWords(goos), loginWords(goos))
}

// endWords tell how to end it.
func endWords(goos string) string {
	how := "Lectern works until you log out or switch the computer off."
	if goos != "linux" {
		how = "Lectern works as long as its window is open."
	}
	return how + ` That is safe at any time:
what was begun is taken up again at the next start.`
}

// loginWords tell how to have it started at each login. The files named come with the
// program: see deploy/windows and deploy/macos.
func loginWords(goos string) string {
	const begin = "To have it started whenever you log in, "
	switch goos {
	case "windows":
		return begin + "double-click \"Lectern at login\",\nwhich came with the program."
	case "darwin":
		return begin + "double-click\n\"Lectern at login.command\", which came with the program."
	default:
		return begin + "click its icon with the right\nmouse button, or type: lectern start --at-login"
	}
}
