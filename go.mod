module lectern

go 1.26.0
