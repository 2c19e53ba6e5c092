package main

import (
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"evenhand/analyze/store"
)

// storeOptions are the options of commands that use what earlier runs made.
type storeOptions struct {
	dir  string
	none bool
}

func (o *storeOptions) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&o.dir, "cache", "", "folder for measurements and encoded audio, at most "+fmt.Sprint(int64(store.DefaultLimit)>>30)+" GiB (default: evenhand in the system's cache folder)")
	f.BoolVar(&o.none, "no-cache", false, "measure and encode everything again and keep none of it")
}

// open returns the store that the options ask for; nil for none.
func (o storeOptions) open() *store.Store {
	if o.none {
		return nil
	}
	if o.dir != "" {
		return store.Open(o.dir)
	}
	dir, err := os.UserCacheDir()
	if err != nil {
		return nil // a system without one works all the same
	}
	return store.Open(filepath.Join(dir, "evenhand"))
}

// tidyStore bounds the store and says if something could not be kept.
func tidyStore(w io.Writer, s *store.Store) {
	for _, err := range []error{s.Err(), s.Trim(store.DefaultLimit)} {
		if err != nil {
			fmt.Fprintf(w, "evenhand: warning: not everything was kept for the next run: %v\n", err)
			return
		}
	}
}
