from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('shop', '0005_learned'),
    ]

    operations = [
        migrations.AddField(
            model_name='chamber',
            name='sensors_checked_on',
            field=models.DateField(blank=True, null=True, verbose_name='sensors last checked against a reference'),
        ),
    ]
