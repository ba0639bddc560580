/* Gives the entries of a folder in another order; preloaded by tests/order.rs.

   ORDER_SEED   1: by name, backwards; more: dealt by this number
   ORDER_COUNT  file that receives the number of folders listed when the program ends */
#define _GNU_SOURCE
#include <dirent.h>
#include <dlfcn.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct listing {
    DIR *dir;
    struct dirent64 **entries;
    size_t length, next;
    struct listing *other;
};
static struct listing *open_listings;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static long listed;

#define REAL(name) __typeof__(&name) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name)

static int backwards(const void *a, const void *b) {
    return strcmp((*(struct dirent64 *const *)b)->d_name, (*(struct dirent64 *const *)a)->d_name);
}

static struct listing *list(DIR *dir) {
    REAL(readdir64);
    struct listing *all = calloc(1, sizeof *all);
    struct dirent64 *entry;
    all->dir = dir;
    while ((entry = real(dir))) {
        all->entries = realloc(all->entries, (all->length + 1) * sizeof *all->entries);
        all->entries[all->length++] = memcpy(malloc(entry->d_reclen), entry, entry->d_reclen);
    }
    /* First by name, so that the file system has no say. */
    qsort(all->entries, all->length, sizeof *all->entries, backwards);
    const char *text = getenv("ORDER_SEED");
    unsigned long long state = text ? strtoull(text, NULL, 10) : 1;
    for (size_t left = all->length; state > 1 && left > 1; left--) {
        state = state * 6364136223846793005ULL + 1442695040888963407ULL;
        size_t at = (state >> 33) % left;
        struct dirent64 *swapped = all->entries[at];
        all->entries[at] = all->entries[left - 1];
        all->entries[left - 1] = swapped;
    }
    listed++;
    return all;
}

struct dirent64 *readdir64(DIR *dir) {
    pthread_mutex_lock(&lock);
    struct listing *all = open_listings;
    while (all && all->dir != dir) all = all->other;
    if (!all) {
        all = list(dir);
        all->other = open_listings;
        open_listings = all;
    }
    struct dirent64 *entry = all->next < all->length ? all->entries[all->next++] : NULL;
    pthread_mutex_unlock(&lock);
    return entry;
}

int closedir(DIR *dir) {
    REAL(closedir);
    pthread_mutex_lock(&lock);
    for (struct listing **at = &open_listings; *at; at = &(*at)->other) {
        struct listing *all = *at;
        if (all->dir != dir) continue;
        *at = all->other;
        while (all->length) free(all->entries[--all->length]);
        free(all->entries);
        free(all);
        break;
    }
    pthread_mutex_unlock(&lock);
    return real(dir);
}

__attribute__((destructor)) static void end(void) {
    const char *path = getenv("ORDER_COUNT");
    FILE *file = path ? fopen(path, "w") : NULL;
    if (!file) return;
    fprintf(file, "%ld", listed);
    fclose(file);
}
