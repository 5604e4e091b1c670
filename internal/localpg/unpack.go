package localpg

import (
	"archive/tar"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/ulikunitz/xz"
)

// unpackedLimit bounds what an archive may grow to; real ones reach 100 MB.
const unpackedLimit = 1 << 30

// unpackTarXZ unpacks an archive below dir and nowhere else: os.Root refuses
// every name and every link that leads out of it.
func unpackTarXZ(r io.Reader, dir string) error {
	x, err := xz.NewReader(r)
	if err != nil {
		return err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	t := tar.NewReader(io.LimitReader(x, unpackedLimit))
	for {
		hdr, err := t.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := unpackOne(root, t, hdr); err != nil {
			return fmt.Errorf("%s: %w", hdr.Name, err)
		}
	}
}

func unpackOne(root *os.Root, t *tar.Reader, hdr *tar.Header) error {
	name := filepath.Clean(hdr.Name)
	if name == "." {
		return nil
	}
	if err := makeDirs(root, filepath.Dir(name)); err != nil {
		return err
	}
	switch hdr.Typeflag {
	case tar.TypeDir:
		return makeDirs(root, name)
	case tar.TypeSymlink:
		if !filepath.IsLocal(filepath.Join(filepath.Dir(name), hdr.Linkname)) || filepath.IsAbs(hdr.Linkname) {
			return fmt.Errorf("a link to %q", hdr.Linkname)
		}
		return root.Symlink(hdr.Linkname, name)
	case tar.TypeReg:
		mode := os.FileMode(0o644)
		if hdr.FileInfo().Mode()&0o100 != 0 {
			mode = 0o755
		}
		f, err := root.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, mode)
		if err != nil {
			return err
		}
		_, err = io.Copy(f, t)
		return errors.Join(err, f.Chmod(mode), f.Close()) // whatever the umask
	default:
		return fmt.Errorf("entry of kind %q", hdr.Typeflag)
	}
}

// makeDirs makes directories that everybody may enter, whatever the umask.
func makeDirs(root *os.Root, name string) error {
	if info, err := root.Stat(name); err == nil && info.IsDir() {
		return nil
	}
	if err := makeDirs(root, filepath.Dir(name)); err != nil {
		return err
	}
	return errors.Join(root.Mkdir(name, 0o755), root.Chmod(name, 0o755))
}
