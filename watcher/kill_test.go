package watcher

const childEnv = "LECTERN_TEST_CHILD"

func child(string) int { return 1 }
